"""How to reach the broker, as the user writes it."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from midwatch.errors import InputError


class TlsSettings(BaseModel):
    """Encryption of the connection.

    `ca_file` checks the broker's certificate (by default the system's authorities do);
    `cert_file` and `key_file` show our own.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @model_validator(mode="after")
    def _whole_pair(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together: give both or none")
        return self

    def context(self) -> ssl.SSLContext:
        """A context that checks certificate and host name.

        Raises:
            InputError: a file is missing or not of its kind.
        """
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
            if self.cert_file is not None:
                context.load_cert_chain(self.cert_file, self.key_file)
        except (OSError, ssl.SSLError) as error:
            raise InputError(f"broker.tls: cannot use the certificate files: {error}") from error
        return context


class BrokerSettings(BaseModel):
    """Where the broker is and who we are to it.

    `embedded` starts a broker of our own on this machine: no host, account or encryption then.
    The password is kept apart in `password_file`, so that settings can be shown and shared.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    host: str = "127.0.0.1"
    port: int = Field(default=1883, ge=1, le=65535)
    username: str | None = None
    password_file: Path | None = None
    tls: TlsSettings | None = None
    # A dead link is noticed after twice this time. Too short drops slow links, too long hides dead
    # ones from this side; the other side misses the heartbeats earlier.
    keepalive_s: int = Field(default=10, ge=2, le=3600)
    embedded: bool = False

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file needs a username")
        if self.embedded and (self.username is not None or self.tls is not None):
            raise ValueError("an embedded broker has neither accounts nor tls: leave them out")
        return self

    def password(self) -> str | None:
        """The first line of the password file.

        Raises:
            InputError: the file cannot be read, or its first line is empty.
        """
        if self.password_file is None:
            return None
        try:
            text = self.password_file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"broker.password_file: {error}") from error
        lines = text.splitlines()
        if not lines or not lines[0]:
            raise InputError(f"broker.password_file: {self.password_file} has an empty first line")
        return lines[0]
