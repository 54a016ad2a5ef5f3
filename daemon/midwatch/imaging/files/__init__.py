"""Frames on disk: FITS files, their headers, previews."""

from midwatch.imaging.files.fits import Card, FileFacts, read_fits, verify_checksum, write_fits
from midwatch.imaging.files.header import FrameHeader, ImageType, light_cards
from midwatch.imaging.files.preview import preview_png

__all__ = [
    "Card", "FileFacts", "FrameHeader", "ImageType", "light_cards", "preview_png", "read_fits",
    "verify_checksum", "write_fits",
]  # fmt: skip
