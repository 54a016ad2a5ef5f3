"""Messages that nobody should send, each with the count that it must show up in.

Deterministic for a seed. Nothing in here holds a lease or claims a state that its sender has no
right to: an account that may speak for the night or for a device can do so, and which accounts
may is the broker's business.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from midwatch.bus import Topics
from midwatch.bus.envelopes import MAX_JSON_BYTES

# One command of each kind that would move something, with arguments that are right.
MOVES: dict[str, tuple[str, dict[str, Any]]] = {
    "mount": ("slew", {"ra_deg": 120.0, "dec_deg": 40.0}),
    "camera": ("expose", {"exposure_s": 5.0, "frame": "light", "gain": 0, "offset": 0}),
    "focuser": ("move", {"position": 100}),
    "guider": ("start_guiding", {}),
    "roof": ("open_roof", {}),
    "filter_wheel": ("select_filter", {"filter": "L"}),
    "flat_panel": ("cover", {"closed": True}),
}


@dataclass(frozen=True)
class Hostile:
    """A message, and who must count it as what (None: nobody hears it)."""

    topic: str
    payload: bytes
    device: str | None = None
    counted: str = ""


class HostileSource:
    """Endless hostile messages for one rig."""

    def __init__(
        self, topics: Topics, roles: Sequence[str], seed: int, daemon: str = "midwatch"
    ) -> None:
        self.expected: Counter[tuple[str, str]] = Counter()
        self._topics = topics
        self._roles = tuple(roles)
        self._rng = np.random.default_rng(seed)
        self._daemon = daemon
        self._number = 0
        self._makers = (
            self._garbage, self._garbage, self._truncated, self._misshapen, self._misshapen,
            self._nested, self._elsewhere, self._expired, self._unknown, self._bad_args,
            self._without_lease, self._without_lease, self._twice, self._to_daemon,
            self._to_daemon, self._state, self._answer, self._lease, self._nowhere,
        )  # fmt: skip

    def take(self, count: int, now: datetime) -> Iterator[Hostile]:
        """Yield about so many messages; they are expected to be counted from now on."""
        made = 0
        while made < count:
            if self._rng.random() < 0.005:
                found = self._oversized(now)
            else:
                found = self._makers[int(self._rng.integers(len(self._makers)))](now)
            for message in found:
                made += 1
                if message.device is not None:
                    self.expected[message.device, message.counted] += 1
                elif message.counted:
                    for role in self._roles:
                        self.expected[role, message.counted] += 1
                yield message

    # Parts -----------------------------------------------------------------------------------

    def _role(self) -> str:
        return self._roles[int(self._rng.integers(len(self._roles)))]

    def _request(self, now: datetime, **changes: Any) -> dict[str, Any]:
        self._number += 1
        return {
            "id": f"h{self._number}", "reply_to": self._topics.reply("stranger"),
            "deadline": (now + timedelta(seconds=60)).isoformat(), "lease": None,
            "sender": "stranger", "args": {}, **changes,
        }  # fmt: skip

    def _move(self, now: datetime, **changes: Any) -> tuple[str, str, dict[str, Any]]:
        role = self._role()
        command, args = MOVES.get(role, ("connect", {}))
        return role, self._topics.do(role, command), self._request(now, args=args, **changes)

    def _bytes(self, most: int) -> bytes:
        return self._rng.bytes(int(self._rng.integers(most)))

    # Kinds of messages -----------------------------------------------------------------------

    def _garbage(self, _now: datetime) -> list[Hostile]:
        role = self._role()
        payload = b"\xff" + self._bytes(300)  # no JSON begins so
        return [Hostile(self._topics.do(role, "slew"), payload, role, "malformed")]

    def _truncated(self, now: datetime) -> list[Hostile]:
        role, topic, request = self._move(now)
        text = json.dumps(request).encode()
        return [Hostile(topic, text[: int(self._rng.integers(1, len(text)))], role, "malformed")]

    def _misshapen(self, now: datetime) -> list[Hostile]:
        role, topic, request = self._move(now)
        key = list(request)[int(self._rng.integers(5))]
        wrongs: list[Any] = [7.5, [], {"a": 1}, "x" * 250 if key == "id" else True]
        wrong = wrongs[int(self._rng.integers(len(wrongs)))]
        match int(self._rng.integers(4)):
            case 0 if key != "lease":
                del request[key]
            case 1:
                request["surprise"] = wrong
            case 2:
                return [Hostile(topic, json.dumps([request]).encode(), role, "malformed")]
            case _:
                request[key] = wrong
        if key == "deadline" and request.get(key) == 7.5:
            request[key] = "soon"  # a number may pass for a time, long past
        return [Hostile(topic, json.dumps(request).encode(), role, "malformed")]

    def _nested(self, now: datetime) -> list[Hostile]:
        role, topic, request = self._move(now)
        text = json.dumps(request).encode()
        payloads = (
            b"[" * 20_000, b'{"a":' * 5_000, text.replace(b'"args": {', b'"args": {"z": NaN, '),
            text.replace(b'"args": {', b'"args": {"z": ' + b"9" * 5000 + b"e999, "),
        )  # fmt: skip
        payload = payloads[int(self._rng.integers(3))]
        return [Hostile(topic, payload, role, "malformed")]

    def _oversized(self, now: datetime) -> list[Hostile]:
        role, topic, request = self._move(now, sender="s" * MAX_JSON_BYTES)
        return [Hostile(topic, json.dumps(request).encode(), role, "oversized")]

    def _elsewhere(self, now: datetime) -> list[Hostile]:
        """Answers are asked to a place where they would be commands, or somebody else's."""
        places = (
            self._topics.do("roof", "open_roof"), self._topics.night_lease, "midwatch/x/y/reply/z",
            f"{self._topics.root}/reply/+", "#", "",
        )  # fmt: skip
        place = places[int(self._rng.integers(len(places)))]
        role, topic, request = self._move(now, reply_to=place)
        return [Hostile(topic, json.dumps(request).encode(), role, "malformed")]

    def _expired(self, now: datetime) -> list[Hostile]:
        ago = timedelta(seconds=float(self._rng.uniform(1.0, 1e9)))
        role, topic, request = self._move(now, deadline=(now - ago).isoformat())
        return [Hostile(topic, json.dumps(request).encode(), role, "expired")]

    def _unknown(self, now: datetime) -> list[Hostile]:
        role = self._role()
        word = ("explode", "pulse2", "do", "état", "__init__")[int(self._rng.integers(5))]
        request = self._request(now)
        return [Hostile(self._topics.do(role, word), json.dumps(request).encode(), role, "unknown")]

    def _bad_args(self, now: datetime) -> list[Hostile]:
        """Commands that need no lease, which arguments of another shape make nonsense."""
        role = self._role()
        command, args = (("stop", {"now": True}), ("make_safe", {}), ("make_safe", {"reason": 3}))[
            int(self._rng.integers(3))
        ]
        request = self._request(now, args=args)
        topic = self._topics.do(role, command)
        return [Hostile(topic, json.dumps(request).encode(), role, "bad_args")]

    def _without_lease(self, now: datetime) -> list[Hostile]:
        lease = (None, "", "midwatch-0", "stranger")[int(self._rng.integers(4))]
        role, topic, request = self._move(now, lease=lease)
        return [Hostile(topic, json.dumps(request).encode(), role, "no_lease")]

    def _twice(self, now: datetime) -> list[Hostile]:
        role, topic, request = self._move(now)
        payload = json.dumps(request).encode()
        return [Hostile(topic, payload, role, "no_lease"),
                Hostile(topic, payload, role, "duplicate")]  # fmt: skip

    def _to_daemon(self, now: datetime) -> list[Hostile]:
        cases: tuple[tuple[str, Any, str], ...] = (
            ("pause", {"why": "no name"}, "bad_args"),
            ("close", {"who": "x", "force": True}, "bad_args"),
            ("skip", {"who": "x", "target": "Nowhere"}, "bad_args"),
            ("close", {"who": "x" * 300}, "bad_args"),
            ("change", {"who": "x", "documents": {"main": "a", "files": {}}}, "bad_args"),
            ("change", {"who": "x", "documents": "rm"}, "bad_args"),
            ("reboot", {"who": "x"}, "unknown"),
        )
        command, args, counted = cases[int(self._rng.integers(len(cases)))]
        payload = json.dumps(self._request(now, args=args)).encode()
        if self._rng.random() < 0.2:
            payload, counted = payload[:-2], "malformed"
        return [Hostile(self._topics.do("daemon", command), payload, "daemon", counted)]

    def _state(self, _now: datetime) -> list[Hostile]:
        """What a device is said to tell, and cannot have told."""
        role = self._role()
        payloads = (b"", b"null", b'{"seq":-1}', b'{"seq":1,"at":"x","state":{}}', self._bytes(50))
        places = (self._topics.state(role), self._topics.online(role), self._topics.about(role))
        payload = payloads[int(self._rng.integers(len(payloads)))]
        place = places[int(self._rng.integers(3))]
        return [Hostile(place, payload, "daemon", "devices_malformed")]

    def _answer(self, _now: datetime) -> list[Hostile]:
        place = self._topics.reply(self._daemon)
        if self._rng.random() < 0.5:
            return [Hostile(place, b"\xfe" + self._bytes(40), "daemon", "devices_malformed")]
        answer = {"id": f"guess-{self._number}", "ok": True, "result": {"a": 1}}
        return [Hostile(place, json.dumps(answer).encode())]

    def _lease(self, now: datetime) -> list[Hostile]:
        if self._rng.random() < 0.5:
            return [Hostile(self._topics.night_lease, b"\xff" + self._bytes(40), None,
                            "lease_malformed")]  # fmt: skip
        lease = {"holder": "stranger", "seq": 1, "at": now.isoformat(),
                 "ttl_s": float(self._rng.integers(0, 9))}  # fmt: skip
        payload = json.dumps(lease).encode()
        return [Hostile(self._topics.night_lease, payload, None, "lease_refused")]

    def _nowhere(self, _now: datetime) -> list[Hostile]:
        root = self._topics.root
        # The daemon listens to what the mount tells of its limits.
        event = f"{root}/mount/event/slew"
        places = (f"{root}/mount/do", f"{root}/mount/do/slew/now", f"{root}/night/do/close",
                  "midwatch/elsewhere/rig/mount/do/park", event)  # fmt: skip
        place = places[int(self._rng.integers(len(places)))]
        if place == event:
            return [Hostile(place, self._bytes(100), "daemon", "devices_malformed")]
        return [Hostile(place, self._bytes(100))]
