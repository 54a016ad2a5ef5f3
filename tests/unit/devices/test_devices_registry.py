import sys
from importlib import metadata

import pytest

from midwatch.devices.contract import DriverLoadError, driver_factory, drivers
from midwatch.devices.contract.installed_drivers import load_driver


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """Install distributions as a package installer leaves them, and forget what was known."""

    def install(package: str, entry_points: str, module: str = "") -> None:
        info = tmp_path / f"{package}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[midwatch.drivers]\n{entry_points}\n")
        (tmp_path / f"{package}_code.py").write_text(module)
        drivers.cache_clear()

    monkeypatch.syspath_prepend(str(tmp_path))
    yield install
    drivers.cache_clear()
    for name in [name for name in sys.modules if name.endswith("_code")]:
        del sys.modules[name]


def test_an_installed_driver_is_found_and_not_imported_before_it_is_wanted(installed):
    installed("acme", "test-focuser = acme_code:make", "def make(context):\n    return context\n")
    assert "test-focuser" in drivers()
    assert list(drivers()) == sorted(drivers())
    assert "acme_code" not in sys.modules
    assert driver_factory("test-focuser")("a context") == "a context"


@pytest.mark.parametrize(
    ("module", "wanted"),
    [
        ("import nowhere_to_be_found", "cannot be loaded: ModuleNotFoundError"),
        ("x = 1 / 0", "cannot be loaded: ZeroDivisionError"),
        ("", "cannot be loaded: AttributeError"),
        ("make = 5", "is a int; it must be a callable"),
        ("def make(): pass", "must take one driver context"),
        ("def make(context, other): pass", "must take one driver context"),
    ],
)
def test_a_driver_that_cannot_be_used_is_named_with_its_package(installed, module, wanted):
    installed("acme", "test-broken = acme_code:make", module)
    with pytest.raises(DriverLoadError) as caught:
        driver_factory("test-broken")
    message = str(caught.value)
    assert "test-broken" in message
    assert "package acme (acme_code:make)" in message
    assert wanted in message
    assert caught.value.exit_code == 2


def test_an_unknown_driver_is_answered_with_those_there_are(installed):
    installed("acme", "test-focuser = acme_code:make", "def make(context): pass")
    with pytest.raises(DriverLoadError, match="test-focuser"):
        driver_factory("test-focusser")


def test_a_name_offered_by_two_packages_is_an_error(installed):
    installed("acme", "test-focuser = acme_code:make", "def make(context): pass")
    installed("bolt", "test-focuser = bolt_code:make", "def make(context): pass")
    with pytest.raises(DriverLoadError, match=r"package acme .* package bolt"):
        drivers()


def test_a_driver_without_a_known_package_can_be_loaded():
    entry = metadata.EntryPoint(
        "bare", "midwatch.devices.contract.installed_drivers:load_driver", "midwatch.drivers"
    )
    assert load_driver(entry) is load_driver
