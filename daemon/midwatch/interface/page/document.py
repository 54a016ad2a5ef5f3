"""The page as a whole: its frame, its colours, and the files that belong to it."""

from __future__ import annotations

import hashlib
from functools import cache
from html import escape
from importlib import resources
from typing import Literal

Colours = Literal["plain", "night"]

COLOURS: tuple[Colours, ...] = ("plain", "night")
# Of every answer. Nothing from elsewhere, no style or script in the markup, no frame around it.
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; "
    "img-src 'self'; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_CAUTIONS = (
    "The Sun blinds and burns through any telescope or finder: caps on before it is up. Mount and "
    "roof move by themselves. This page replaces no limit switch, no rain switch and no switch "
    "that cuts the power."
)


@cache
def asset(name: str) -> bytes:
    """Return a file of the page, such as ``page.css``."""
    return resources.files(__package__).joinpath(name).read_bytes()


@cache
def _version(name: str) -> str:
    return hashlib.sha256(asset(name)).hexdigest()[:12]


def document(title: str, body: str, colours: Colours, *, signed_in: bool) -> str:
    """Return the whole page around a body of markup."""
    script = f'<script src="/page.js?v={_version("page.js")}" defer></script>' if signed_in else ""
    leave = (
        '<form method="post" action="/sign-out"><button class="small">Sign out</button></form>'
        if signed_in
        else ""
    )
    return (
        f'<!doctype html>\n<html lang="en" data-colours="{colours}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="dark"><meta name="theme-color" content="#000000">'
        f"<title>{escape(title)}</title>"
        f'<link rel="stylesheet" href="/page.css?v={_version("page.css")}">{script}</head>\n<body>'
        f'<header><p>{escape(title)}</p><div class="tools">{_switch(colours)}{leave}</div></header>'
        f"<main>{body}</main><footer><p>{_CAUTIONS}</p></footer></body></html>\n"
    )


def _switch(colours: Colours) -> str:
    other, name = ("plain", "Plain colours") if colours == "night" else ("night", "Night colours")
    return (
        '<form method="post" action="/colours" id="colours">'
        f'<button class="small" name="colours" value="{other}">{name}</button></form>'
    )
