"""Directions as three arrays of components, and the few rotations the sky needs.

Components are kept apart, rather than as a last axis of length three, so that a column of
targets and a row of times broadcast against each other without reshaping.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]


class Vector(NamedTuple):
    """Cartesian components, each of any shape that broadcasts with the others."""

    x: FloatArray
    y: FloatArray
    z: FloatArray


def as_floats(values: ArrayLike) -> FloatArray:
    """Return `values` as a float64 array; a scalar becomes an array of no dimensions."""
    return np.asarray(values, dtype=np.float64)


def unit_vector(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Vector:
    """Unit vector of spherical coordinates in degrees."""
    longitude = np.radians(as_floats(longitude_deg))
    latitude = np.radians(as_floats(latitude_deg))
    cos_latitude = np.cos(latitude)
    return Vector(
        cos_latitude * np.cos(longitude), cos_latitude * np.sin(longitude), np.sin(latitude)
    )


def spherical_deg(vector: Vector) -> tuple[FloatArray, FloatArray]:
    """Longitude in [0, 360) and latitude in [-90, 90], degrees; any length of vector."""
    longitude = wrap_360(np.degrees(np.arctan2(vector.y, vector.x)))
    return longitude, np.degrees(np.arctan2(vector.z, np.hypot(vector.x, vector.y)))


def norm(vector: Vector) -> FloatArray:
    """Length of each vector."""
    return np.sqrt(vector.x * vector.x + vector.y * vector.y + vector.z * vector.z)


def normalised(vector: Vector) -> Vector:
    """The same directions with length one."""
    length = norm(vector)
    return Vector(vector.x / length, vector.y / length, vector.z / length)


def dot(a: Vector, b: Vector) -> FloatArray:
    """Scalar product."""
    return a.x * b.x + a.y * b.y + a.z * b.z


def angle_deg(a: Vector, b: Vector) -> FloatArray:
    """Angle between two directions in [0, 180], degrees; exact for tiny and opposite ones."""
    cross = Vector(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x)
    return np.degrees(np.arctan2(norm(cross), dot(a, b)))


def rotated_z(vector: Vector, angle_rad: FloatArray) -> Vector:
    """Components in a frame turned by `angle_rad` about the z axis."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return Vector(vector.x * cos + vector.y * sin, vector.y * cos - vector.x * sin, vector.z)


def wrap_360(angle_deg: ArrayLike) -> FloatArray:
    """Angle in [0, 360), degrees."""
    wrapped = np.mod(as_floats(angle_deg), 360.0)
    # The remainder of a tiny negative angle rounds up to the modulus itself.
    return np.where(wrapped >= 360.0, 0.0, wrapped)[()]


def wrap_180(angle_deg: ArrayLike) -> FloatArray:
    """Angle in (-180, 180], degrees."""
    return (180.0 - wrap_360(180.0 - as_floats(angle_deg)))[()]
