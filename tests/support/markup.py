"""Takes markup apart, and puts hostile text into what templates are given."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from functools import cache
from html.parser import HTMLParser
from typing import Any, Literal, get_origin, get_type_hints

# Each tries another way out of a text, an attribute, a picture, a style or a template.
HOSTILE = {
    "script": "<script>alert(1)</script>",
    "attribute": "\" onload=\"alert(1)\" ' onclick='alert(1)' `x`",
    "picture": "</title></text></svg><img src=x onerror=alert(1)>",
    "nested": "<svg onload=alert(1)><circle r=1 /></svg>",
    "ends": "</style></textarea></script></section>--><!-- ]]>",
    "template": "{{ view.title }}{% include 'report.html' %}{# no #}{{ 7 * 7 }}",
    "escaped": "&lt;b&gt;&amp;#60;&quot;",
}


class Reader(HTMLParser):
    """Keeps elements, attributes and texts in the order of the page."""

    def __init__(self, markup: str) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[tuple[str, ...]] = []
        self.feed(markup)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.parts.append(("begin", tag, *(f"{name}={value}" for name, value in attrs)))

    def handle_endtag(self, tag: str) -> None:
        self.parts.append(("end", tag))

    def handle_data(self, data: str) -> None:
        self.parts.append(("text", data))

    def handle_comment(self, data: str) -> None:
        self.parts.append(("comment", data))


def read(markup: str, of: str) -> list[tuple[str, ...]]:
    """Take markup apart; what was put into it is shown as ``(here)``."""
    return [tuple(each.replace(of, "(here)") for each in part) for part in Reader(markup).parts]


def spoilt(value: Any, text: str) -> Any:
    """The same values with another text in place of every text, but for words of our own lists."""
    if isinstance(value, str):
        return text
    if isinstance(value, tuple):
        return tuple(spoilt(each, text) for each in value)
    if _is_view(value):
        changes = {f: spoilt(getattr(value, f), text) for f in _open_fields(type(value))}
        return replace(value, **changes)
    return value


def thinned(value: Any) -> Any:
    """The same values with one of each sort in every list, so that they are drawn quickly."""
    if isinstance(value, tuple):
        found: dict[Any, Any] = {}
        for each in value:
            found.setdefault(_sort(each), each)
        # Two may be a pair, whose parts are of one sort and yet not the same.
        return tuple(thinned(each) for each in (found.values() if len(value) > 2 else value))
    if _is_view(value):
        return replace(value, **{f.name: thinned(getattr(value, f.name)) for f in fields(value)})
    return value


def _is_view(value: Any) -> bool:
    return is_dataclass(value) and not isinstance(value, type)


@cache
def _open_fields(kind: type) -> tuple[str, ...]:
    hints = get_type_hints(kind)
    return tuple(f.name for f in fields(kind) if get_origin(hints[f.name]) is not Literal)


def _sort(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(_sort(each) for each in value)
    if _is_view(value):
        free = _open_fields(type(value))
        return type(value), tuple(
            bool(getattr(value, f.name)) if f.name in free else getattr(value, f.name)
            for f in fields(value)
        )
    return type(value), bool(value)
