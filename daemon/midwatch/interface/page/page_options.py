"""Where the page is served, to whom, and how: from the rig file and the command line."""

from __future__ import annotations

import os
import secrets
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from midwatch.errors import InputError
from midwatch.orders.models import Page
from midwatch.runtime.visit import visitor

PASSWORD_FILE = "page.password"  # noqa: S105  (a name, not what is in it)
# Shorter ones can be guessed in spite of the waits that wrong ones cost.
_SHORTEST_PASSWORD = 10


@dataclass(frozen=True)
class PageSettings:
    """A page that can be served.

    Attributes:
        passwords: by account.
        names: host names that a request may contain, besides addresses.
        made: the file with a password that was made for this run; None with accounts of the rig
            file.
    """

    host: str
    port: int
    passwords: Mapping[str, str] = field(repr=False)
    names: tuple[str, ...] = ()
    tls: ssl.SSLContext | None = None
    made: Path | None = None

    @property
    def url(self) -> str:
        """Where a browser on this machine finds it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'http' if self.tls is None else 'https'}://{host}:{self.port}/"


def page_settings(
    section: Page | None, asked: tuple[str | None, int] | None, rig_file: Path, data_folder: Path
) -> PageSettings:
    """Return the page that is asked for.

    Where the rig file names no account, one is made for the user running it: its password is
    written to the data folder, for that account of the machine alone.

    Args:
        section: of the rig file.
        asked: host and port from the command line; they take the place of those in the section.
        rig_file: paths in it are relative to it.
        data_folder: of the night.

    Raises:
        InputError: a file cannot be used, or the page would not be safe at the address asked for.
    """
    section = section or Page()
    if asked is not None:
        section = _at(section, *asked)
    folder = rig_file.parent
    passwords = {
        account: _password(folder / file, f"{rig_file}: page.accounts.{account}")
        for account, file in section.accounts.items()
    }
    made = None
    if not passwords:
        made = data_folder / PASSWORD_FILE
        passwords = {visitor(): _make_password(made)}
    tls = None
    if section.cert_file is not None and section.key_file is not None:
        tls = _tls(folder / section.cert_file, folder / section.key_file, rig_file)
    return PageSettings(section.host, section.port, passwords, section.names, tls, made)


def _at(section: Page, host: str | None, port: int) -> Page:
    given = section.model_dump() | {"port": port}
    if host is not None:
        given["host"] = host
    try:
        return Page.model_validate(given)
    except ValidationError as error:
        said = "; ".join(problem["msg"] for problem in error.errors())
        raise InputError(f"--page: {said}; see page in the rig file") from None


def _password(path: Path, place: str) -> str:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{place}: {error}") from error
    password = lines[0] if lines else ""
    if len(password) < _SHORTEST_PASSWORD:
        raise InputError(
            f"{place}: the first line of {path} is no password of {_SHORTEST_PASSWORD} or more "
            "characters"
        )
    return password


def _make_password(path: Path) -> str:
    password = secrets.token_urlsafe(18)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    # Made with its rights, so that no other user can open it in between.
    made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(made, "w", encoding="utf-8") as file:
        file.write(f"{password}\n")
    return password


def _tls(cert: Path, key: Path, rig_file: Path) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(cert, key)
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"{rig_file}: page: cannot use {cert} with {key} as its key: {error}"
        ) from error
    return context
