"""Whatever is done to the files, the answer is a night or a list of problems."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.orders.models import OrdersError
from midwatch.orders.reading import Night, load_night

CONFIGS = Path(__file__).parents[3] / "configs"
FILES = {
    "orders.yaml": (CONFIGS / "orders/first-night.yaml")
    .read_text()
    .replace("../sites/larch-hollow.yaml", "site.yaml")
    .replace("../rigs/harrier.yaml", "rig.yaml"),
    "site.yaml": (CONFIGS / "sites/larch-hollow.yaml").read_text(),
    "rig.yaml": (CONFIGS / "rigs/harrier.yaml").read_text(),
    "larch-hollow.horizon.txt": (CONFIGS / "sites/larch-hollow.horizon.txt").read_text(),
}
SCRAPS = [
    "", " ", "\n", "\t", "-", "- ", ":", ": ", "{", "}", "[", "]", "&a ", "*a", "!x ", "'", '"',
    "#", "null", "true", "-1", "0", "1e400", ".nan", "9" * 30, "0x1f", "2027-13-45", "NGC 1",
    "\u2212", "\x00", "\x7f", "\ud7ff", "\ufeff", "\U0001f52d", "...", "---\n", "? ", "|\n",
    ">\n", "<<: ", "../..", "larch-hollow.horizon.txt", "[[0, 1], [2, 3]]", "{a: {b: [1]}}",
    '"\\ud800"', "%", "@",
]  # fmt: skip


@st.composite
def broken(draw):
    """One of the files with stretches cut, doubled or replaced by scraps."""
    name = draw(st.sampled_from(sorted(FILES)))
    text = FILES[name]
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.sampled_from([0, 0, 1, 3, 12, 80])))
        scrap = draw(st.sampled_from(SCRAPS) | st.text(max_size=5) | st.just(text[start:end] * 2))
        text = text[:start] + scrap + text[end:]
    return name, text


@settings(max_examples=10)
@given(broken())
def test_broken_files_raise_nothing_but_orders_errors(case):
    name, text = case
    with tempfile.TemporaryDirectory() as folder:
        for other, sound in FILES.items():
            Path(folder, other).write_text(sound)
        Path(folder, name).write_bytes(text.encode("utf-8", "surrogatepass"))
        known = {"drivers": ["simulated-mount"], "duties": ["focus"], "lookouts": ["clouds"]}
        for checked in ({}, known):
            try:
                assert isinstance(load_night(Path(folder, "orders.yaml"), **checked), Night)
            except OrdersError as error:
                assert error.problems
                for problem in error.problems:
                    assert problem.message
                    assert problem.hint
                    assert str(problem).startswith(folder)
                    if problem.line is not None and problem.file.name == name:
                        assert 1 <= problem.line <= len(text.splitlines()) + 1
