"""Stars in a frame: places, widths, shapes, zones, trails, background."""

from midwatch.imaging.stars.measures import StarMeasures
from midwatch.imaging.stars.measuring import measure_stars
from midwatch.imaging.stars.star_table import StarTable
from midwatch.imaging.stars.zones import Zone

__all__ = ["StarMeasures", "StarTable", "Zone", "measure_stars"]
