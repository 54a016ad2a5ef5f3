"""Frames on disk: FITS files, their headers, previews."""

from midwatch.imaging.files.any_fits import AnyFrame, FrameFileError, read_any_frame
from midwatch.imaging.files.fits import Card, FileFacts, read_fits, verify_checksum, write_fits
from midwatch.imaging.files.header import FrameHeader, ImageType, light_cards
from midwatch.imaging.files.preview import preview_png

__all__ = [
    "AnyFrame", "Card", "FileFacts", "FrameFileError", "FrameHeader", "ImageType", "light_cards",
    "preview_png", "read_any_frame", "read_fits", "verify_checksum", "write_fits",
]  # fmt: skip
