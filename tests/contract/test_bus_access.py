"""Nobody outside the configured accounts commands a device: the shipped broker files, for real."""

from __future__ import annotations

import asyncio
import gc
import re
import subprocess
from collections.abc import Callable, Coroutine
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from contract.bus_benches import MosquittoBench, free_port
from midwatch.bus import BrokerSettings, BusUnavailableError, Subscription, TlsSettings, Topics
from midwatch.bus.envelopes import MAX_JSON_BYTES
from midwatch.bus.mqtt import MqttBus
from midwatch.clock import WallClock
from midwatch.errors import InputError
from support.pace import LIMIT_S, stretched

SHIPPED = Path(__file__).parents[2] / "configs" / "broker"
TOPICS = Topics("hill", "rig")
COMMAND = TOPICS.do("roof", "open")


class GuardedBench(MosquittoBench):
    """Mosquitto with the shipped configuration, on another port and with passwords of its own."""

    def config(self) -> str:
        broker = self.folder / "configs" / "broker"
        broker.mkdir(parents=True, exist_ok=True)
        (broker / "acl").write_text((SHIPPED / "acl").read_text())
        (broker / "acl").chmod(0o600)
        passwords = broker / "passwords"
        for name in ("daemon", "rig", "guider", "viewer", "stranger"):
            create = [] if passwords.exists() else ["-c"]
            subprocess.run(
                ["mosquitto_passwd", *create, "-b", str(passwords), name, f"secret of {name}"],
                check=True, capture_output=True,
            )  # fmt: skip
            (self.folder / name).write_text(f"secret of {name}\n")
        text = (SHIPPED / "mosquitto.conf").read_text()
        assert "listener 1883 127.0.0.1" in text
        return text.replace("listener 1883 ", f"listener {self.port} ")

    def account(self, name: str, password_of: str | None = None) -> MqttBus:
        settings = BrokerSettings(
            port=self.port, username=name, password_file=self.folder / (password_of or name)
        )
        return MqttBus(settings, f"{name}-client", self.clock)


def run(
    tmp_path: Path, scenario: Callable[[GuardedBench, AsyncExitStack], Coroutine[Any, Any, None]]
) -> None:
    bench = GuardedBench(tmp_path)

    async def main() -> None:
        async with AsyncExitStack() as stack:
            await scenario(bench, stack)

    bench.run(main)


async def join(bench: GuardedBench, stack: AsyncExitStack, name: str) -> MqttBus:
    bus = await stack.enter_async_context(bench.account(name))
    await bus.wait_connected(LIMIT_S)
    return bus


async def payloads(bench: GuardedBench, subscription: Subscription, wanted: int) -> list[bytes]:
    """As many as are expected to come in, and what else comes in the moment after."""
    async with bench.clock.timeout(LIMIT_S):
        first = [(await subscription.get()).payload for _ in range(wanted)]
    await bench.clock.sleep(0.3)
    subscription.close()
    return [*first, *[message.payload async for message in subscription]]


async def refused(bus: MqttBus, why: str, within_s: float = 0.5) -> None:
    """Demand that a bus does not connect, and says why as soon as it knows."""
    told = ""
    for _ in range(round(LIMIT_S / within_s)):
        with pytest.raises(BusUnavailableError) as error:
            await bus.wait_connected(within_s)
        told = str(error.value)
        if re.search(why, told):
            return
    raise AssertionError(f"{told!r} does not say {why!r}")


def test_only_the_daemon_commands_devices(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        rig = await join(bench, stack, "rig")
        commands = rig.subscribe(TOPICS.commands("roof"))
        await rig.publish(TOPICS.state("roof"), b"")
        for name in ("viewer", "stranger", "daemon"):
            await (await join(bench, stack, name)).publish(COMMAND, name.encode())
        await rig.publish(COMMAND, b"rig")
        assert await payloads(bench, commands, 1) == [b"daemon"]

    run(tmp_path, scenario)


def test_only_the_account_of_the_daemon_gives_orders_by_hand(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        daemon = await join(bench, stack, "daemon")
        orders = daemon.subscribe(TOPICS.commands("daemon"))
        for name in ("rig", "guider", "viewer", "stranger", "daemon"):
            bus = daemon if name == "daemon" else await join(bench, stack, name)
            for word in ("pause", "close", "change"):
                await bus.publish(TOPICS.do("daemon", word), name.encode())
        assert await payloads(bench, orders, 3) == [b"daemon"] * 3

    run(tmp_path, scenario)


def test_what_is_longer_than_anything_of_ours_passes_no_broker(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        daemon, rig = await join(bench, stack, "daemon"), await join(bench, stack, "rig")
        commands = rig.subscribe(TOPICS.commands("roof"))
        await rig.publish(TOPICS.state("roof"), b"")
        await daemon.publish(COMMAND, b"x" * MAX_JSON_BYTES)
        await daemon.publish(COMMAND, b"x" * 500_000)
        assert [len(payload) for payload in await payloads(bench, commands, 1)] == [MAX_JSON_BYTES]

    run(tmp_path, scenario)


def test_without_an_account_or_with_a_wrong_password_nobody_connects(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        nobody = MqttBus(BrokerSettings(port=bench.port), "nobody", bench.clock)
        for bus in (nobody, bench.account("daemon", password_of="viewer")):
            async with bus:
                await refused(bus, r"(?i)not authori[sz]ed")
                with pytest.raises(BusUnavailableError):
                    await bus.publish(COMMAND, b"open")

    run(tmp_path, scenario)


def test_a_rig_reports_answers_and_hears_the_lease_but_cannot_speak_for_the_night(
    tmp_path: Path,
) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        daemon, rig = await join(bench, stack, "daemon"), await join(bench, stack, "rig")
        heard = daemon.subscribe(f"{TOPICS.root}/#")
        lease = rig.subscribe(TOPICS.night_lease)
        await daemon.publish(TOPICS.night_lease, b"lease")
        await rig.publish(TOPICS.night_state, b"forged")
        await rig.publish(TOPICS.night_lease, b"forged")
        await rig.publish(TOPICS.night_event("dusk"), b"forged")
        await rig.publish(TOPICS.state("roof"), b"state")
        await rig.publish(TOPICS.reply("daemon"), b"answer")
        assert await payloads(bench, lease, 1) == [b"lease"]
        # Between two connections a broker keeps no order.
        assert sorted(await payloads(bench, heard, 3)) == [b"answer", b"lease", b"state"]

    run(tmp_path, scenario)


def test_a_viewer_sees_states_but_no_commands_and_changes_nothing(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        daemon, viewer = await join(bench, stack, "daemon"), await join(bench, stack, "viewer")
        seen = viewer.subscribe(f"{TOPICS.root}/#")
        states = daemon.subscribe(TOPICS.state("roof"))
        await viewer.publish(TOPICS.state("roof"), b"forged", retain=True)
        await daemon.publish(COMMAND, b"open")
        await daemon.publish(TOPICS.night_state, b"night")
        assert await payloads(bench, seen, 1) == [b"night"]
        assert await payloads(bench, states, 0) == []

    run(tmp_path, scenario)


def test_a_guider_pulses_the_mount_and_uses_its_camera_and_nothing_else(tmp_path: Path) -> None:
    async def scenario(bench: GuardedBench, stack: AsyncExitStack) -> None:
        rig, guider = await join(bench, stack, "rig"), await join(bench, stack, "guider")
        commands = rig.subscribe(*(TOPICS.commands(name) for name in ("mount", "guide_camera")))
        roof = rig.subscribe(TOPICS.commands("roof"))
        states = guider.subscribe(TOPICS.state("mount"))
        answers = guider.subscribe(TOPICS.reply("guider-client"))
        await rig.publish(TOPICS.state("mount"), b"state")
        await rig.publish(TOPICS.reply("guider-client"), b"done")
        await guider.publish(TOPICS.do("mount", "pulse"), b"pulse")
        await guider.publish(TOPICS.do("mount", "slew"), b"slew")
        await guider.publish(TOPICS.do("guide_camera", "expose"), b"expose")
        await guider.publish(COMMAND, b"open")
        await guider.publish(TOPICS.state("mount"), b"forged")
        await guider.publish(TOPICS.night_lease, b"forged")
        assert await payloads(bench, commands, 2) == [b"pulse", b"expose"]
        assert await payloads(bench, roof, 0) == []
        assert await payloads(bench, states, 1) == [b"state"]
        assert await payloads(bench, answers, 1) == [b"done"]

    run(tmp_path, scenario)


class EncryptedBench(MosquittoBench):
    """Mosquitto behind TLS, with a certificate made for this test."""

    def config(self) -> str:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
             "-nodes", "-days", "2", "-subj", "/CN=localhost", "-addext",
             "subjectAltName=DNS:localhost", "-keyout", "key.pem", "-out", "cert.pem"],
            cwd=self.folder, check=True, capture_output=True,
        )  # fmt: skip
        return (
            f"listener {self.port} 127.0.0.1\ncertfile {self.folder}/cert.pem\n"
            f"keyfile {self.folder}/key.pem\nallow_anonymous true\n"
        )


# paho leaves the socket of a failed handshake to the garbage collector, which complains.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_checks_the_certificate_and_the_name(tmp_path: Path) -> None:
    bench = EncryptedBench(tmp_path)

    async def main() -> None:
        trusted = TlsSettings(ca_file=tmp_path / "cert.pem")
        good = BrokerSettings(host="localhost", port=bench.port, tls=trusted)
        async with MqttBus(good, "good", bench.clock) as bus:
            await bus.wait_connected(LIMIT_S)
            states = bus.subscribe("a/state")
            await bus.publish("a/state", b"safe")
            async with bench.clock.timeout(LIMIT_S):
                assert (await states.get()).payload == b"safe"
        wrong_name = good.model_copy(update={"host": "127.0.0.1"})
        unknown_ca = good.model_copy(update={"tls": TlsSettings()})
        for settings in (wrong_name, unknown_ca):
            async with MqttBus(settings, "bad", bench.clock) as bus:
                await refused(bus, r"(?i)certificate")

    bench.run(main)
    gc.collect()  # while the complaint is still expected


def test_missing_credential_files_are_reported_at_once(tmp_path: Path) -> None:
    async def enter(settings: BrokerSettings) -> None:
        async with MqttBus(settings, "daemon", WallClock()):
            raise AssertionError("it must not start")

    settings = BrokerSettings(username="daemon", password_file=tmp_path / "none")
    with pytest.raises(InputError, match="password_file"):
        asyncio.run(enter(settings))
    with pytest.raises(InputError, match="tls"):
        asyncio.run(enter(BrokerSettings(tls=TlsSettings(ca_file=tmp_path / "none"))))


def test_an_absent_broker_is_named_in_the_error() -> None:
    port = free_port()

    async def main() -> None:
        clock = WallClock()
        async with MqttBus(BrokerSettings(port=port), "daemon", clock) as bus:
            await refused(bus, rf"127\.0\.0\.1:{port} within 0\.3 s: .*111", within_s=0.3)

    asyncio.run(main())


def test_leaving_while_the_broker_does_not_answer_is_quick_and_closes_the_socket() -> None:
    async def main() -> None:
        clock = WallClock()
        closed = asyncio.Event()
        stumbles: list[object] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, what: stumbles.append(what))

        async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            while await reader.read(1000):
                pass  # a broker that hangs: it reads and says nothing
            writer.close()
            await writer.wait_closed()
            closed.set()

        async with await asyncio.start_server(accept, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            async with MqttBus(BrokerSettings(port=port), "daemon", clock):
                await clock.sleep(0.1)
                began_s = clock.mono()
            assert clock.mono() - began_s < stretched(3.0)
            async with clock.timeout(LIMIT_S):
                await closed.wait()
        assert asyncio.all_tasks() == {asyncio.current_task()}
        assert stumbles == []

    asyncio.run(main())
