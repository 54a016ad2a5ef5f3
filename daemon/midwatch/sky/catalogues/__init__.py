"""Stars and deep-sky objects, from the installed open catalogues."""

from midwatch.sky.catalogues.deep_sky_objects import extended_near, find_object, suggest_names
from midwatch.sky.catalogues.star_catalogue import (
    MergedCatalogue,
    SkyCatalogue,
    StarCatalogue,
    StarList,
    unit_vectors,
)

__all__ = [
    "MergedCatalogue", "SkyCatalogue", "StarCatalogue", "StarList", "extended_near",
    "find_object", "suggest_names", "unit_vectors",
]  # fmt: skip
