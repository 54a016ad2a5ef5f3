"""Draws markup from templates. Only this module and `kept_templates` know the library.

Templates lie in the folder ``templates`` of a package. They see one name, ``view``, whose plain
values Python has worked out; macros are in files of their own. Everything that a template shows is
escaped, and a name that does not exist is an error. Templates of any package find the macros that
all use under ``shared/``, and the files next to their own package's modules under ``package/``.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["draw", "environment", "prepare"]


def draw(package: str, template: str, view: object) -> str:
    """Return the markup of a view.

    Args:
        package: Whose template it is, such as ``__package__``.
        template: Its file in the folder ``templates``.
        view: What it shows.
    """
    return environment(package).get_template(template).render(view=view)


def prepare(package: str) -> None:
    """Read all templates of a package, where it must not take time when something is drawn."""
    templates = environment(package)
    for name in templates.list_templates(filter_func=_is_template):
        templates.get_template(name)


@cache
def environment(package: str) -> Environment:
    """Return what reads and fills the templates of a package; made once, and only when needed.

    The library takes a tenth of a second to import, so it is left until something is drawn.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, PrefixLoader, StrictUndefined

    from midwatch.markup.kept_templates import KeptTemplates

    files = PrefixLoader(
        {
            "shared": PackageLoader(__package__, "templates"),
            "package": PackageLoader(package, ""),
        }
    )
    made = Environment(
        loader=ChoiceLoader([files, PackageLoader(package, "templates")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        bytecode_cache=KeptTemplates(package),
    )
    made.filters["px"] = _px
    return made


def _px(pixels: float) -> str:
    """A coordinate as pictures hold it: a tenth of a pixel is finer than the eye sees."""
    return f"{pixels:.1f}"


def _is_template(name: str) -> bool:
    return name.endswith(".html") and not name.startswith("package/")
