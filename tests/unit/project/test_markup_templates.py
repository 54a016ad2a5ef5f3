"""Markup is made by templates, and templates escape whatever they show."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment, StrictUndefined, UndefinedError

import midwatch
from midwatch.interface.page.page_sections import Sections
from midwatch.markup.drawing import environment
from midwatch.markup.kept_templates import KeptTemplates
from midwatch.reports.night_report import Report

DAEMON = Path(midwatch.__file__).parent
MODULES = {
    str(path.relative_to(DAEMON)): path.read_text(encoding="utf-8")
    for path in sorted(DAEMON.rglob("*.py"))
}
TEMPLATES = sorted(DAEMON.rglob("templates/**/*.html"))
# Elements of HTML and SVG, by the Living Standard and SVG 2, that pages and pictures are made of.
ELEMENTS = (
    "a|abbr|article|aside|b|body|br|button|canvas|caption|circle|code|col|dd|defs|desc|details|div"
    "|dl|dt|ellipse|em|embed|fieldset|figcaption|figure|footer|form|frame|g|h[1-6]|head|header|hr"
    "|html|i|iframe|image|img|input|label|legend|li|line|link|main|meta|nav|object|ol|option|p"
    "|path|pattern|polygon|polyline|pre|rect|script|section|select|small|span|strong|style|sub"
    "|summary|sup|svg|symbol|table|tbody|td|template|text|textarea|th|thead|time|title|tr|tspan"
    "|ul|use|video"
)
MARKUP = re.compile(rf"</?(?:{ELEMENTS})(?![\w-])|<!doctype|<!--", re.IGNORECASE)


def literals(source: str) -> Iterator[tuple[int, str]]:
    """The texts of a module that are not documentation, with their lines."""
    tree = ast.parse(source)
    documentation = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or id(node) in documentation:
            continue
        if isinstance(node.value, str):
            yield node.lineno, node.value


def markup_in(source: str) -> list[tuple[int, str]]:
    if not MARKUP.search(source):
        return []
    return [found for found in literals(source) if MARKUP.search(found[1])]


def test_no_module_holds_markup() -> None:
    found = {name: markup_in(source) for name, source in MODULES.items()}
    assert {name: held for name, held in found.items() if held} == {}


def test_markup_would_be_found() -> None:
    source = 'def f(x):\n    """Make <b>."""\n    return f"<td class=\'n\'>{x}</td>"\n'
    assert markup_in(source) == [(3, "<td class='n'>"), (3, "</td>")]
    assert markup_in('where = "expected memory:<name>, or 3 <b5 or <bytes>"\n') == []


def test_nothing_is_taken_for_markup_that_no_template_made() -> None:
    assert len(TEMPLATES) > 10
    for path in TEMPLATES:
        source = path.read_text(encoding="utf-8")
        assert not re.search(r"\|\s*safe|autoescape|forceescape", source), path
    assert [
        name for name, source in MODULES.items() if re.search("markupsafe|Markup", source)
    ] == []


@pytest.mark.parametrize(
    "package", [view.__module__.rpartition(".")[0] for view in (Report, Sections)]
)
def test_everything_is_escaped_and_nothing_may_be_missing(package: str) -> None:
    templates = environment(package)
    assert templates is environment(package)
    assert templates.autoescape is True
    assert templates.undefined is StrictUndefined
    assert templates.from_string("{{ view }}").render(view="<b>") == "&lt;b&gt;"
    with pytest.raises(UndefinedError):
        templates.from_string("{{ view.missing }}").render(view=object())


def test_the_template_library_is_loaded_only_where_something_is_drawn() -> None:
    """It takes a tenth of a second, which commands and lean drills need not pay."""
    knows = re.compile(r"^(?:from|import) (?:jinja2|midwatch\S*kept_templates)", re.MULTILINE)
    assert [name for name, source in MODULES.items() if knows.search(source)] == [
        name for name in MODULES if name.endswith("kept_templates.py")
    ]


class Kept:
    """Templates of a package in a folder of this test."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (folder / "templates").mkdir()
        monkeypatch.setattr(resources, "files", lambda _package: folder)
        monkeypatch.setattr(sys, "dont_write_bytecode", False)
        self.folder = folder / "templates" / "__pycache__"

    def drawn(self, source: str) -> str:
        made = Environment(
            loader=DictLoader({"x": source}), autoescape=True, bytecode_cache=KeptTemplates("any")
        )
        return made.get_template("x").render(view="<b>")

    @property
    def files(self) -> list[Path]:
        return sorted(self.folder.iterdir()) if self.folder.is_dir() else []


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Kept:
    return Kept(tmp_path, monkeypatch)


def test_what_is_compiled_is_kept_and_not_compiled_again(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert kept.drawn("a {{ view }}") == "a &lt;b&gt;"
    assert len(kept.files) == 1
    monkeypatch.setattr(Environment, "_generate", lambda *_, **__: pytest.fail("compiled again"))
    assert kept.drawn("a {{ view }}") == "a &lt;b&gt;"


def test_another_source_is_compiled_whatever_was_kept(kept: Kept) -> None:
    assert kept.drawn("a {{ view }}") == "a &lt;b&gt;"
    assert kept.drawn("c {{ view }}") == "c &lt;b&gt;"
    assert len(kept.files) == 1


@pytest.mark.parametrize("left", [0, 3, 35, 200])
def test_what_is_damaged_or_cannot_be_kept_does_no_harm(kept: Kept, left: int) -> None:
    kept.drawn("a {{ view }}")
    (file,) = kept.files
    file.write_bytes(file.read_bytes()[:left])
    assert kept.drawn("a {{ view }}") == "a &lt;b&gt;"
    file.unlink()
    kept.folder.rmdir()
    kept.folder.write_text("no folder")
    assert kept.drawn("a {{ view }}") == "a &lt;b&gt;"
