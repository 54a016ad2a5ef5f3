"""The page as a whole: its frame, its colours, and the files that belong to it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

from midwatch.interface.page.accounts import OrderAnswer
from midwatch.interface.page.forms import OrderForms
from midwatch.interface.page.page_sections import Sections
from midwatch.markup import draw, prepare

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


@dataclass(frozen=True)
class Frame:
    """What is around everything that the page shows.

    Attributes:
        style, script: digests of the files that belong to it.
        signed_in: whether an operator is, who may look again and sign out.
    """

    title: str
    colours: Colours
    style: str
    script: str
    signed_in: bool


@dataclass(frozen=True)
class SignInView:
    """The form that asks for account and password."""

    frame: Frame
    answer: OrderAnswer | None
    account: str


@dataclass(frozen=True)
class NightPageView:
    """The night, what the last order led to, and the forms for others."""

    frame: Frame
    answer: OrderAnswer | None
    sections: Sections
    forms: OrderForms


@cache
def asset(name: str) -> bytes:
    """Return a file of the page, such as ``page.css``."""
    return resources.files(__package__).joinpath(name).read_bytes()


@cache
def _version(name: str) -> str:
    return hashlib.sha256(asset(name)).hexdigest()[:12]


def sign_in_page(title: str, colours: Colours, answer: OrderAnswer | None, account: str) -> str:
    """Return the page that asks for account and password; `account` is filled in already."""
    frame = _frame(title, colours, signed_in=False)
    return draw(__package__, "sign_in.html", SignInView(frame, answer, account))


def night_page(
    title: str, colours: Colours, answer: OrderAnswer | None, shown: Sections, forms: OrderForms
) -> str:
    """Return the page for who has signed in."""
    frame = _frame(title, colours, signed_in=True)
    return draw(__package__, "night.html", NightPageView(frame, answer, shown, forms))


def sections_alone(shown: Sections) -> str:
    """Return the sections for a page that is loaded already."""
    return draw(__package__, "now.html", shown)


def make_ready() -> None:
    """Read the templates, so that no request has to wait for that."""
    prepare(__package__)


def _frame(title: str, colours: Colours, *, signed_in: bool) -> Frame:
    return Frame(title, colours, _version("page.css"), _version("page.js"), signed_in)
