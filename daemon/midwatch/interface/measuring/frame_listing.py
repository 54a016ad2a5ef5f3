"""What one file shows, for a person."""

from __future__ import annotations

from typing import Any

from midwatch.interface.console import table

__all__ = ["lines_of"]


def lines_of(content: dict[str, Any]) -> list[str]:
    """Return the lines that show a file."""
    size = f"{content['width_px']} x {content['height_px']} px"
    kind = f", colour mosaic {content['bayer']}" if content["bayer"] else ""
    rows: list[tuple[str, str]] = [
        ("stars", f"{content['stars']}, of which {content['good_stars']} show the sharpness"),
        ("HFR", _text(content["hfr_px"], "px")),
        ("FWHM", _text(content["fwhm_px"], "px") + (
            f", {content['fwhm_arcsec']:.2f} arcsec" if content["fwhm_arcsec"] else "")),
        ("elongation", _elongation_text(content)),
        ("background", f"{content['background']:g}, noise {content['noise']:g}"),
        ("full", f"{content['saturated_percent']:.3f} % of the pixels, "
                 f"{content['saturated_stars']} stars"),
        ("trails", str(len(content["trails"])) if content["trails"] else "none"),
        ("grade", content["grade"] or "none"),
        *(("", reason) for reason in content["reasons"]),
    ]  # fmt: skip
    if "solution" in content:
        rows.append(("place", _place_text(content["solution"])))
    return [f"{content['file']}: {size}{kind}", *table(rows), ""]


def _text(value: float | None, unit: str) -> str:
    return "cannot be said" if value is None else f"{value:.2f} {unit}"


def _elongation_text(content: dict[str, Any]) -> str:
    if content["elongation"] is None:
        return "cannot be said: no star is bright enough"
    if content["elongation"] < 1.05:
        return f"{content['elongation']:.2f}"
    return (
        f"{content['elongation']:.2f}, along {content['elongation_deg']:.0f} degrees from the row "
        "towards later rows"
    )


def _place_text(solution: dict[str, Any]) -> str:
    if not solution["solved"]:
        return f"not solved: {solution['reason']}"
    mirrored = ", mirrored" if solution["mirrored"] else ""
    return (
        f"RA {solution['ra_deg']:.4f} Dec {solution['dec_deg']:+.4f} degrees, "
        f"{solution['scale_arcsec']:.3f} arcsec a pixel, turned {solution['rotation_deg']:.1f} "
        f"degrees{mirrored}, {solution['matched']} stars within {solution['rms_arcsec']:.2f} arcsec"
    )
