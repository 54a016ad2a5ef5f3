"""midwatch schema: machine-readable descriptions of the files and of the bus."""

from __future__ import annotations

import argparse
import json
from typing import Any

from midwatch.errors import InputError
from midwatch.interface.console import say

_DIALECT = {"$schema": "https://json-schema.org/draft/2020-12/schema"}


def execute(args: argparse.Namespace) -> int:
    """Print, or write, one description."""
    text = json.dumps(_document(args.what), indent=2, ensure_ascii=False)
    if args.out is None:
        say(text)
    else:
        args.out.write_text(text + "\n", encoding="utf-8")
        say(str(args.out))
    return 0


def _document(what: str) -> dict[str, Any]:
    if what == "bus":
        from midwatch.interface.documents import bus_document

        return bus_document()
    if what == "night":
        from midwatch.reports import json_schema as night_schema

        return {**_DIALECT, **night_schema()}
    if what == "drill":
        from midwatch.drilling import drill_schema

        return {**_DIALECT, **drill_schema()}
    if what == "faults":
        from midwatch.orders.injected import FAULT_KINDS

        return {
            name: {"where": kind.role or kind.where, "what": kind.about, "instant": kind.instant}
            for name, kind in FAULT_KINDS.items()
        }
    from midwatch.orders.reading import USER_FILES, json_schema

    if what not in USER_FILES:
        known = (*USER_FILES, "faults", "night", "drill", "bus")
        raise InputError(f"there is no schema {what!r}; there are {', '.join(known)}")
    return json_schema(what)
