"""Who may look at the page and give orders on it: accounts, sessions, and what was turned away."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import Counter, OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field

import structlog

from midwatch.bus import is_notable
from midwatch.clock import Clock
from midwatch.errors import MidwatchError

_log = structlog.get_logger(__name__)

# A session lasts a night. Shorter, and a password has to be typed in the dark; longer, and a
# lost telephone commands the next night too.
SESSION_S = 14 * 3600.0
_MOST_SESSIONS = 64
# Wrong passwords from one address that cost nothing; each one after them doubles the wait.
# More helps who guesses, fewer punishes cold fingers.
_FREE_TRIES = 5
_FIRST_WAIT_S = 30.0
_LONGEST_WAIT_S = 900.0
_MOST_ADDRESSES = 512


class NotYetError(MidwatchError):
    """Too many wrong passwords came from this address; the next may be tried later."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"too many wrong passwords; try again in {wait_s:.0f} s")
        self.wait_s = wait_s


@dataclass
class OrderAnswer:
    """What an order led to, shown once."""

    good: bool
    lines: tuple[str, ...]


@dataclass
class Session:
    """An operator who has signed in.

    Attributes:
        form_token: is part of every form that is shown to them, so that no other page can post one.
        outcome: what the last order led to, until it was shown.
        why, orders: what was typed into a form that was not taken, so that it is not lost.
    """

    account: str
    ends_mono_s: float
    form_token: str = field(default_factory=lambda: secrets.token_urlsafe(16))
    outcome: OrderAnswer | None = None
    why: str = ""
    orders: str | None = None


@dataclass
class _Tries:
    wrong: int = 0
    wait_until_mono_s: float = 0.0


class Gate:
    """Lets people in.

    Args:
        passwords: by account.
        clock: real time; only its monotonic seconds are read.

    Attributes:
        turned_away: how much of what came was not let in, by the reason.
    """

    def __init__(self, passwords: Mapping[str, str], clock: Clock) -> None:
        self.turned_away: Counter[str] = Counter()
        self._digests = {name: _digest(password) for name, password in passwords.items()}
        self._clock = clock
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self._tries: OrderedDict[str, _Tries] = OrderedDict()

    def sign_in(self, account: str, password: str, address: str) -> str | None:
        """Return the token of a new session; None if account or password is wrong.

        Raises:
            NotYetError: too many were wrong, so this one was not looked at.
        """
        now_s = self._clock.mono()
        tries = self._tries.get(address)
        if tries is not None and now_s < tries.wait_until_mono_s:
            self.refuse("too_many_tries")
            raise NotYetError(tries.wait_until_mono_s - now_s)
        # The same work for an account that does not exist: the time taken must not show it.
        known = self._digests.get(account, b"\0" * 32)
        if not hmac.compare_digest(known, _digest(password)):
            self._note_wrong(address, now_s)
            return None
        self._tries.pop(address, None)
        token = secrets.token_urlsafe(32)
        self._sessions[_key(token)] = Session(account, now_s + SESSION_S)
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return token

    def session(self, token: str | None) -> Session | None:
        """Return the session of a token, unless it has ended."""
        if not token:
            return None
        session = self._sessions.get(_key(token))
        if session is None or self._clock.mono() >= session.ends_mono_s:
            self._sessions.pop(_key(token), None)
            return None
        return session

    def sign_out(self, token: str | None) -> None:
        """End a session."""
        if token:
            self._sessions.pop(_key(token), None)

    def refuse(self, reason: str) -> None:
        """Count something that was turned away; the log mentions it ever more rarely."""
        self.turned_away[reason] += 1
        count = self.turned_away[reason]
        if is_notable(count):
            _log.warning("page_turned_away", reason=reason, count=count)

    def _note_wrong(self, address: str, now_s: float) -> None:
        self.refuse("wrong_password")
        tries = self._tries.setdefault(address, _Tries())
        self._tries.move_to_end(address)
        while len(self._tries) > _MOST_ADDRESSES:
            self._tries.popitem(last=False)
        tries.wrong += 1
        if tries.wrong >= _FREE_TRIES:
            # Capped before the power is taken: no number of tries may overflow it.
            doublings = min(tries.wrong - _FREE_TRIES, 16)
            wait_s = min(_FIRST_WAIT_S * 2.0**doublings, _LONGEST_WAIT_S)
            tries.wait_until_mono_s = now_s + wait_s


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()


def _key(token: str) -> str:
    """Return what is kept of a token, so that the memory of the daemon holds none."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
