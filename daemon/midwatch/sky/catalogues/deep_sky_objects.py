"""Names, places and sizes of deep-sky objects, from the installed open catalogue.

The data are OpenNGC (by Mattia Verga and contributors, CC-BY-SA-4.0) as the package pyongc ships
them in one SQLite file: the New General and Index Catalogues with their Messier numbers, and an
addendum of well-known objects outside of them. The file is opened read-only and nothing of it is
changed or copied. Coordinates are ICRS (J2000).
"""

from __future__ import annotations

import importlib.util
import math
import re
import sqlite3
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache, cached_property, lru_cache
from itertools import takewhile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EXTENDED",
    "DeepSkyCatalogue",
    "DeepSkyObject",
    "extended_near",
    "find_object",
    "suggest_names",
]

_KINDS = {
    "*": "star",
    "**": "double star",
    "*Ass": "association of stars",
    "OCl": "open cluster",
    "GCl": "globular cluster",
    "Cl+N": "cluster with nebula",
    "G": "galaxy",
    "GPair": "pair of galaxies",
    "GTrpl": "triplet of galaxies",
    "GGroup": "group of galaxies",
    "PN": "planetary nebula",
    "HII": "emission nebula",
    "DrkN": "dark nebula",
    "EmN": "emission nebula",
    "Neb": "nebula",
    "RfN": "reflection nebula",
    "SNR": "supernova remnant",
    "Nova": "nova",
    "Other": "other",
}

# Number of digits that the file writes after each catalogue's letters.
_DIGITS = {
    "B": 3, "C": 3, "CL": 3, "HCG": 3, "IC": 4, "LBN": 3, "MEL": 3, "MWSC": 4, "NGC": 4, "PGC": 6,
    "UGC": 5, "UGCA": 3,
}  # fmt: skip
_LETTERS = {"BARNARD": "B", "CALDWELL": "C", "MELOTTE": "MEL", "MESSIER": "M"}
_DESIGNATION = re.compile(r"([A-Z]+)[ _-]*0*([1-9][0-9]{0,5})([A-F]?)")

# Names in wide use that the file lacks, or (the Flame) gives to a neighbour.
_ALSO_CALLED = {
    "47 Tucanae": "NGC0104", "Beehive Cluster": "NGC2632", "Blue Snowball": "NGC7662",
    "Cat's Paw Nebula": "NGC6334", "Elephant's Trunk Nebula": "IC1396",
    "Eta Carinae Nebula": "NGC3372", "Flame Nebula": "NGC2024", "Gamma Cygni Nebula": "IC1318",
    "Ghost of Jupiter": "NGC3242", "Hamburger Galaxy": "NGC3628", "Heart Nebula": "IC1805",
    "Hercules Cluster": "NGC6205", "Hubble's Variable Nebula": "NGC2261",
    "Jellyfish Nebula": "IC0443", "Jewel Box": "NGC4755", "Pacman Nebula": "NGC0281",
    "Pinwheel Galaxy": "NGC5457", "Prawn Nebula": "IC4628", "Running Chicken Nebula": "IC2944",
    "Sculptor Galaxy": "NGC0253", "Seagull Nebula": "IC2177", "Soul Nebula": "IC1848",
    "Splinter Galaxy": "NGC5907", "Tadpole Nebula": "IC0410", "Thor's Helmet": "NGC2359",
    "Western Veil Nebula": "NGC6960", "Wizard Nebula": "NGC7380",
}  # fmt: skip
_GENERIC = re.compile(r"(globularcluster|cluster|galaxy|nebula|asterism)$")

EXTENDED = np.dtype(
    [
        ("name", "U16"),
        ("kind", "U24"),
        ("ra_deg", "f8"),
        ("dec_deg", "f8"),
        ("major_arcmin", "f8"),
        ("minor_arcmin", "f8"),
        ("position_angle_deg", "f8"),
        ("magnitude", "f8"),
    ]
)
_DIFFUSE = (
    "G", "GPair", "GTrpl", "GGroup", "PN", "HII", "EmN", "Neb", "RfN", "SNR", "Cl+N", "GCl"
)  # fmt: skip


@dataclass(frozen=True)
class DeepSkyObject:
    """One catalogued object.

    Attributes:
        name: as people write it: "NGC 224", "IC 434".
        ra_deg: ICRS right ascension.
        dec_deg: ICRS declination.
        kind: in words, such as "galaxy" or "planetary nebula".
        major_arcmin: longer diameter; None where unknown.
        minor_arcmin: shorter diameter; None where unknown.
        position_angle_deg: of the longer diameter, from north through east; None where unknown.
        magnitude: V, else B; None where unknown.
        other_names: further designations and common names.
    """

    name: str
    ra_deg: float
    dec_deg: float
    kind: str
    major_arcmin: float | None
    minor_arcmin: float | None
    position_angle_deg: float | None
    magnitude: float | None
    other_names: tuple[str, ...]


def find_object(name: str) -> DeepSkyObject | None:
    """Look an object up by designation or common name.

    Spaces, case and leading zeros do not matter: "M 31", "m31", "NGC 224", "ngc0224",
    "Andromeda Galaxy" are one object.

    Args:
        name: designation or common name.

    Returns:
        The object, or None where no catalogued object with a position has that name.

    Raises:
        ImportError: the catalogue package is not installed.
    """
    return DeepSkyCatalogue.load().find(name)


def suggest_names(name: str, n: int = 3) -> list[str]:
    """Return up to n known names near to one that was not found, the nearest first."""
    return DeepSkyCatalogue.load().suggest(name, n)


def extended_near(ra_deg: float, dec_deg: float, radius_deg: float) -> NDArray[np.void]:
    """Find galaxies, nebulae and globular clusters that a camera would see as smooth shapes.

    Args:
        ra_deg: axis of the cone.
        dec_deg: axis of the cone.
        radius_deg: half-angle of the cone, measured to the centres of the objects.

    Returns:
        Rows of `EXTENDED`, largest first, shape (N,). The minor diameter equals the major one and
        the position angle is 0 where unknown; a magnitude that is unknown is NaN. Objects of
        unknown size are left out.
    """
    return DeepSkyCatalogue.load().extended_near(ra_deg, dec_deg, radius_deg)


class DeepSkyCatalogue:
    """The catalogue file, held open."""

    def __init__(self, path: Path) -> None:
        """Open a file.

        Raises:
            sqlite3.Error: it is missing, or not such a catalogue.
        """
        self._rows = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True, check_same_thread=False
        )
        self._rows.execute("SELECT id FROM objects LIMIT 1").fetchone()

    @classmethod
    def load(cls) -> DeepSkyCatalogue:
        """Return the catalogue installed alongside Midwatch, opened once a process.

        Raises:
            ImportError: the catalogue package is not installed.
        """
        return _installed()

    def find(self, name: str) -> DeepSkyObject | None:
        """Look an object up; see `find`."""
        key = self._key(name) if name.isprintable() else None
        return self._object(key, hops=2) if key else None

    def suggest(self, name: str, n: int = 3) -> list[str]:
        """Return names near to this one; see `suggest`."""
        squeezed = _squeezed(name)
        # Words that most names share would make every nebula alike.
        bases = {_base(key): spoken for key, (spoken, _) in reversed(self._common.items())}
        near = get_close_matches(_base(squeezed), bases, n=n, cutoff=0.6)
        names = [bases[key] for key in near]
        designations = {_squeezed(_spoken(key)): _spoken(key) for key in self._designations}
        # Slips in numbers come late in the word: what begins alike comes first.
        near = get_close_matches(squeezed, designations, n=4 * n, cutoff=0.75)
        near.sort(key=lambda key: _alike(key, squeezed), reverse=True)
        numbers = [designations[key] for key in near[:n]]
        # A designation is meant where the word has digits, a common name where it has none.
        both = [*numbers, *names] if any(map(str.isdigit, squeezed)) else [*names, *numbers]
        return [word for word in dict.fromkeys(both) if self.find(word)][:n]

    def extended_near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> NDArray[np.void]:
        """Find smooth shapes in a cone; see `extended_near`."""
        table, directions = self._extended
        ra, dec = math.radians(ra_deg), math.radians(dec_deg)
        axis = (math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec))
        chord2 = np.sum((directions - np.array(axis)) ** 2, axis=1)
        inside: NDArray[np.void] = table[
            chord2 <= (2.0 * math.sin(math.radians(min(radius_deg, 180.0)) / 2.0)) ** 2
        ]
        return inside

    def _key(self, name: str) -> str | None:
        """Return the file's own name of what is meant."""
        match = _DESIGNATION.fullmatch(name.strip().upper())
        if match:
            letters = _LETTERS.get(match[1], match[1])
            if letters == "M" and not match[3]:
                return self._messier(int(match[2]))
            if letters in _DIGITS:
                return self._identified(letters + match[2].zfill(_DIGITS[letters]) + match[3])
        squeezed = _squeezed(name)
        for word in (squeezed, _base(squeezed)):
            if word in self._common:
                return self._common[word][1]
        return self._by_base.get(squeezed) or self._identified(name.upper().replace(" ", ""))

    def _messier(self, number: int) -> str | None:
        row = self._rows.execute(
            "SELECT name FROM objects WHERE messier = ? AND type != 'Dup'", (f"{number:03d}",)
        ).fetchone()
        # Number 102 is held to be a second sighting of 101; the file has it under its own name.
        return row[0] if row else self._identified(f"M{number:03d}")

    def _identified(self, identifier: str) -> str | None:
        row = self._rows.execute(
            "SELECT name FROM objIdentifiers WHERE identifier = ?", (identifier,)
        ).fetchone()
        return row[0] if row else None

    @lru_cache(maxsize=512)  # noqa: B019 - one catalogue lives as long as the process
    def _object(self, key: str, hops: int) -> DeepSkyObject | None:
        row = self._rows.execute(
            "SELECT name, type, ra, dec, majax, minax, pa, vmag, bmag, messier, ngc, ic, "
            "commonnames, identifiers FROM objects WHERE name = ?",
            (key,),
        ).fetchone()
        if row is None:
            return None
        name, kind, ra, dec, major, minor, angle, v, b, messier, ngc, ic, common, others = row
        if kind == "Dup" and hops:
            # One number was given twice to one thing; the entry says under which name it lives.
            known = (
                f"NGC{ngc.zfill(4)}" if ngc else f"IC{ic.zfill(4)}" if ic else
                self._messier(int(messier)) if messier else None
            )  # fmt: skip
            return self._object(known, hops - 1) if known and known != key else None
        if ra is None or kind in ("Dup", "NonEx"):
            return None
        further = [f"M {int(messier)}"] if messier else []
        for text in (common, others):
            further += [part.strip() for part in (text or "").split(",") if part.strip()]
        return DeepSkyObject(
            _spoken(name), math.degrees(ra) % 360.0, math.degrees(dec), _KINDS[kind], major, minor,
            float(angle) if angle is not None else None, v if v is not None else b, tuple(further),
        )  # fmt: skip

    @cached_property
    def _common(self) -> dict[str, tuple[str, str]]:
        """Common names, squeezed, to themselves and the file's name of the object."""
        names = {_squeezed(name): (name, key) for name, key in _ALSO_CALLED.items()}
        rows = self._rows.execute(
            "SELECT name, commonnames FROM objects WHERE commonnames != '' ORDER BY id"
        )
        for key, common in rows:
            for name in common.split(","):
                names.setdefault(_squeezed(name), (name.strip(), key))
        return names

    @cached_property
    def _by_base(self) -> dict[str, str]:
        """Common names without their generic word, where that leaves one object: Andromeda."""
        keys: dict[str, set[str]] = {}
        for squeezed, (_, key) in self._common.items():
            keys.setdefault(_base(squeezed), set()).add(key)
        return {base: next(iter(found)) for base, found in keys.items() if base and len(found) == 1}

    @cached_property
    def _designations(self) -> list[str]:
        numbers = self._rows.execute(
            "SELECT DISTINCT 'M' || messier FROM objects WHERE messier != ''"
        )
        names = self._rows.execute("SELECT name FROM objects WHERE type != 'NonEx' ORDER BY id")
        return [row[0] for row in (*numbers, *names)]

    @cached_property
    def _extended(self) -> tuple[NDArray[np.void], NDArray[np.float64]]:
        rows = self._rows.execute(
            "SELECT name, type, ra, dec, majax, ifnull(minax, majax), ifnull(pa, 0), "
            "coalesce(vmag, bmag) FROM objects WHERE majax > 0 AND ra IS NOT NULL "
            "ORDER BY majax DESC, id"
        )
        table = np.array(
            [
                (_spoken(name), _KINDS[kind], math.degrees(ra), math.degrees(dec), major, minor,
                 angle, math.nan if magnitude is None else magnitude)
                for name, kind, ra, dec, major, minor, angle, magnitude in rows
                if kind in _DIFFUSE
            ],
            dtype=EXTENDED,
        )  # fmt: skip
        ra, dec = np.radians(table["ra_deg"]), np.radians(table["dec_deg"])
        directions = np.stack(
            (np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)), axis=-1
        )
        return table, directions


@cache
def _installed() -> DeepSkyCatalogue:
    # Finding the package without importing it keeps its own machinery out of the daemon.
    spec = importlib.util.find_spec("pyongc")
    if spec is None or spec.origin is None:
        raise ImportError("the deep-sky catalogue is not installed: pip install pyongc")
    return DeepSkyCatalogue(Path(spec.origin).with_name("ongc.db"))


def _squeezed(name: str) -> str:
    """Fold what does not matter in a name: case, spaces, punctuation, a leading article."""
    folded = "".join(letter for letter in name.casefold() if letter.isalnum())
    return folded.removeprefix("the") if len(folded) > 6 else folded


def _alike(one: str, other: str) -> int:
    """Count the letters with which both begin."""
    return len([*takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False))])


def _base(squeezed: str) -> str:
    return _GENERIC.sub("", squeezed)


def _spoken(key: str) -> str:
    """Write a name of the file as people do: NGC0224 becomes NGC 224."""
    match = re.fullmatch(r"([A-Za-z]+)0*([0-9].*)", key)
    return f"{match[1]} {match[2]}" if match else key
