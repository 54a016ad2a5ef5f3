"""What a frame's header says: the cards that calibrating, stacking and archiving tools read."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from midwatch.imaging.files.fits import Card, CardValue
from midwatch.imaging.wcs import Solution

__all__ = ["FrameHeader", "ImageType", "light_cards", "sexagesimal"]

ImageType = Literal["LIGHT", "DARK", "FLAT", "BIAS"]

_MJD_EPOCH = datetime(1858, 11, 17, tzinfo=UTC)
# A fixed-format string has 68 columns between its quotes (FITS 4.0, section 4.2.1).
_LONGEST_TEXT = 68
_CARD = 80
_ROW_ORDER = {"top": "TOP-DOWN", "bottom": "BOTTOM-UP"}


@dataclass(frozen=True, kw_only=True)
class FrameHeader:
    """Facts of one exposure. None means not known or not fitted, and leaves the card out.

    Times are UTC with their zone set; positions are ICRS degrees; pixel sizes and focal length
    are those of the unbinned sensor and of the telescope as it is used, reducer included.
    ``first_row`` is where the first row of pixels belongs when the picture is drawn so that a
    telescope without a mirror shows the sky as the eye sees it; ``object_*`` are of what was
    ordered, ``ra_deg`` and ``dec_deg`` of where the frame points.
    """

    image_type: ImageType
    start: datetime
    exposure_s: float
    version: str
    end: datetime | None = None
    object_name: str | None = None
    object_ra_deg: float | None = None
    object_dec_deg: float | None = None
    written: datetime | None = None
    rig: str | None = None
    first_row: Literal["top", "bottom"] = "top"
    camera: str | None = None
    telescope: str | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    pixel_um: float | None = None
    binning_x: int = 1
    binning_y: int = 1
    gain: float | None = None
    offset: float | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    sensor_c: float | None = None
    setpoint_c: float | None = None
    saturation_adu: int | None = None
    filter_name: str | None = None
    bayer: str | None = None
    focuser_position: int | None = None
    focuser_c: float | None = None
    rotator_deg: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    airmass: float | None = None
    pier_side: Literal["EAST", "WEST"] | None = None
    site_name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    moon_separation_deg: float | None = None
    ambient_c: float | None = None
    guided: bool | None = None
    guiding_rms_arcsec: float | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    star_count: int | None = None
    background_adu: float | None = None
    grade: str | None = None
    grade_reason: str | None = None
    grade_compared: int | None = None
    solution: Solution | None = None

    def __post_init__(self) -> None:
        times = (self.start, self.end, self.written)
        if any(time is not None and time.utcoffset() is None for time in times):
            raise ValueError("the times of a frame need a zone; give UTC")


def sexagesimal(value: float, decimals: int, *, signed: bool) -> str:
    """Write a number of hours or degrees as whole units, minutes and seconds.

    Rounding happens once, on the seconds, so that 59.99 carries over instead of reading 60.

    Args:
        value: Hours or degrees.
        decimals: Digits after the point of the seconds, at least 1.
        signed: Write the sign even of positive numbers.
    """
    ticks = round(abs(value) * 3600 * 10**decimals)
    minutes, ticks = divmod(ticks, 60 * 10**decimals)
    units, minutes = divmod(minutes, 60)
    seconds, fraction = divmod(ticks, 10**decimals)
    sign = "-" if value < 0 else "+" if signed else ""
    return f"{sign}{units:02d} {minutes:02d} {seconds:02d}.{fraction:0{decimals}d}"


def light_cards(header: FrameHeader) -> list[Card]:
    """Turn the facts of an exposure into FITS cards, in a fixed order.

    Args:
        header: The facts.

    Returns:
        (keyword, value, comment); facts that are None or not finite have no card. Text is reduced
        to ASCII and to the 68 characters of one card, comments to what is left of it.
    """
    rows = [
        *_what(header),
        *_when(header),
        *_instrument(header),
        *_where(header),
        *_quality(header),
        ("SWCREATE", f"Midwatch {header.version}", "program that wrote this file"),
    ]
    return [
        _fitted(key, value, comment)
        for key, value, comment in rows
        # A measurement that found nothing is NaN, for which FITS has no notation.
        if value is not None and not (isinstance(value, float) and not math.isfinite(value))
    ]


_Row = tuple[str, CardValue | None, str]


def _what(h: FrameHeader) -> list[_Row]:
    return [
        ("IMAGETYP", h.image_type, "type of exposure"),
        ("OBJECT", h.object_name, "target"),
        ("EXPTIME", h.exposure_s, "[s] exposure time"),
        ("EXPOSURE", h.exposure_s, "[s] exposure time"),
    ]


def _when(h: FrameHeader) -> list[_Row]:
    end = h.end or h.start + timedelta(seconds=h.exposure_s)
    middle = h.start + (end - h.start) / 2
    return [
        ("TIMESYS", "UTC", "time scale"),
        ("DATE", None if h.written is None else _stamp(h.written), "this file was written, UTC"),
        ("DATE-OBS", _stamp(h.start), "start of exposure, UTC"),
        ("DATE-BEG", _stamp(h.start), "start of exposure, UTC"),
        ("DATE-AVG", _stamp(middle), "middle of exposure, UTC"),
        ("DATE-END", _stamp(end), "end of exposure, UTC"),
        ("MJD-OBS", _mjd(h.start), "[d] start of exposure"),
        ("MJD-BEG", _mjd(h.start), "[d] start of exposure"),
        ("MJD-AVG", _mjd(middle), "[d] middle of exposure"),
        ("MJD-END", _mjd(end), "[d] end of exposure"),
    ]


def _instrument(h: FrameHeader) -> list[_Row]:
    pixel_x = None if h.pixel_um is None else h.pixel_um * h.binning_x
    pixel_y = None if h.pixel_um is None else h.pixel_um * h.binning_y
    bayer_offset = None if h.bayer is None else 0
    return [
        ("INSTRUME", h.camera, "camera"),
        ("TELESCOP", h.telescope, "telescope"),
        ("RIG", h.rig, "rig, as its file calls it"),
        ("FOCALLEN", h.focal_length_mm, "[mm] focal length"),
        ("APTDIA", h.aperture_mm, "[mm] aperture diameter"),
        ("XPIXSZ", pixel_x, "[um] pixel width, binning included"),
        ("YPIXSZ", pixel_y, "[um] pixel height, binning included"),
        ("XBINNING", h.binning_x, "binning along x"),
        ("YBINNING", h.binning_y, "binning along y"),
        ("GAIN", h.gain, "gain setting of the camera"),
        ("OFFSET", h.offset, "offset setting of the camera"),
        ("EGAIN", h.gain_e_per_adu, "electrons per ADU"),
        ("RDNOISE", h.read_noise_e, "[e-] read noise"),
        ("SATURATE", h.saturation_adu, "[adu] level at which a pixel is full"),
        ("CCD-TEMP", h.sensor_c, "[degC] sensor temperature"),
        ("SET-TEMP", h.setpoint_c, "[degC] sensor temperature aimed at"),
        ("FILTER", h.filter_name, "filter"),
        ("BAYERPAT", h.bayer, "colours of the first two rows and columns"),
        ("XBAYROFF", bayer_offset, "[px] offset of the colour pattern along x"),
        ("YBAYROFF", bayer_offset, "[px] offset of the colour pattern along y"),
        ("ROWORDER", _ROW_ORDER[h.first_row], f"first row is the {h.first_row} of the picture"),
        ("FOCUSPOS", h.focuser_position, "[step] focuser position"),
        ("FOCUSTMP", h.focuser_c, "[degC] temperature at the focuser"),
        ("ROTANGLE", h.rotator_deg, "[deg] angle of the rotator"),
    ]


def _where(h: FrameHeader) -> list[_Row]:
    ra_deg, dec_deg = h.object_ra_deg, h.object_dec_deg
    ra_text = None if ra_deg is None else sexagesimal(ra_deg % 360 / 15, 2, signed=False)
    dec_text = None if dec_deg is None else sexagesimal(dec_deg, 1, signed=True)
    return [
        ("RA", h.ra_deg, "[deg] right ascension of the pointing"),
        ("DEC", h.dec_deg, "[deg] declination of the pointing"),
        ("OBJCTRA", ra_text, "[h m s] right ascension of the target"),
        ("OBJCTDEC", dec_text, "[d m s] declination of the target"),
        ("EQUINOX", 2000.0, "[yr] equinox of the coordinates"),
        *((key, value, "plate solution") for key, value in _wcs(h.solution)),
        ("AIRMASS", h.airmass, "relative optical path length"),
        ("ALTITUDE", h.altitude_deg, "[deg] altitude of the pointing"),
        ("AZIMUTH", h.azimuth_deg, "[deg] azimuth of the pointing, from north"),
        ("PIERSIDE", h.pier_side, "side of the pier the telescope is on"),
        ("SITENAME", h.site_name, "site"),
        ("SITELAT", h.latitude_deg, "[deg] latitude, north positive"),
        ("SITELONG", h.longitude_deg, "[deg] longitude, east positive"),
        ("OBSGEO-B", h.latitude_deg, "[deg] latitude of the site"),
        ("OBSGEO-L", h.longitude_deg, "[deg] longitude of the site"),
        ("OBSGEO-H", h.elevation_m, "[m] height of the site, above sea level"),
        ("MOONSEP", h.moon_separation_deg, "[deg] distance of the Moon"),
        ("AIRTEMP", h.ambient_c, "[degC] air temperature"),
    ]


def _wcs(solution: Solution | None) -> list[tuple[str, CardValue]]:
    return [("RADESYS", "ICRS")] if solution is None else list(solution.wcs_cards().items())


def _quality(h: FrameHeader) -> list[_Row]:
    return [
        ("GUIDED", h.guided, "guiding was on"),
        ("GUIDERMS", h.guiding_rms_arcsec, "[arcsec] rms guiding error, both axes"),
        ("HFR", h.hfr_px, "[px] half-flux radius, median"),
        ("FWHM", h.fwhm_arcsec, "[arcsec] full width at half maximum"),
        ("ELONGATN", h.elongation, "long over short axis of the stars"),
        ("STARS", h.star_count, "stars measured"),
        ("BACKGRND", h.background_adu, "[adu] sky background"),
        ("GRADE", h.grade, "accepted, doubtful or rejected, when filed"),
        ("GRADEWHY", h.grade_reason, "why"),
        ("GRADENUM", h.grade_compared, "frames compared with; night.json is later"),
    ]


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")


def _mjd(moment: datetime) -> float:
    return (moment - _MJD_EPOCH) / timedelta(days=1)


def _fitted(key: str, value: CardValue, comment: str) -> Card:
    """Cut text to ASCII and to the length of a card, and the comment to what is left."""
    if not isinstance(value, str):
        return key, value, comment
    plain = unicodedata.normalize("NFKD", value).encode("ascii", "ignore").decode()
    plain = "".join(sign if sign.isprintable() else " " for sign in plain)
    while len(plain.replace("'", "''")) > _LONGEST_TEXT:
        plain = plain[:-1]
    written = max(len(plain.replace("'", "''")), 8) + 2
    return key, plain, comment[: max(0, _CARD - 10 - max(written, 20) - 3)]
