"""The section ``page`` of the rig file: the operator's page of a running night."""

from __future__ import annotations

import ipaddress
from typing import Self

from pydantic import Field, model_validator

from midwatch.orders.models import field_rules as rules
from midwatch.orders.models.declared import Declared, Name

# Not assigned to any service by IANA.
PAGE_PORT = 8427


class Page(Declared):
    """A page that shows a running night and takes orders by hand; its presence serves it."""

    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="Address to serve at; the default is seen by this machine only.",
    )
    port: int = Field(default=PAGE_PORT, ge=1, le=65535, description="Port to serve at.")
    accounts: dict[Name, str] = Field(
        default_factory=dict,
        max_length=32,
        description="Who may look and give orders: a file that holds the password, by the name of "
        "the account. Left out, the account that runs the night may, by a password made each run.",
    )
    names: tuple[str, ...] = Field(
        default=(), description="Host names under which others reach the page, besides addresses."
    )
    cert_file: str | None = Field(
        default=None, description="Certificate to encrypt with; relative to the rig file."
    )
    key_file: str | None = Field(default=None, description="Private key of the certificate.")
    in_clear: bool = Field(
        default=False,
        description="Serve other machines without encryption, where the network can be trusted.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            missing = "cert_file" if self.cert_file is None else "key_file"
            raise rules.complaint(
                "cert_file and key_file belong together", f"give {missing} too, or none", missing
            )
        if not self.stays_here:
            self._fit_for_others()
        return self

    @property
    def stays_here(self) -> bool:
        """Whether only this machine can see the page."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    def _fit_for_others(self) -> None:
        if not self.accounts:
            raise rules.complaint(
                f"other machines can reach {self.host}, and no account is named",
                "name accounts, each with its password file, or serve at 127.0.0.1",
                "accounts",
            )
        if self.cert_file is None and not self.in_clear:
            raise rules.complaint(
                f"passwords would cross the network of {self.host} in the clear",
                "give cert_file and key_file, or in_clear: true on a network that can be trusted",
                "host",
            )
