"""What goes into the focus model: good focus runs, and what the optics say beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from midwatch.learning.probe_history import ProbeHistory, at_rest
from midwatch.sky import critical_focus_zone_um

__all__ = ["FocusPoint", "FocusScale", "tube_shift_um_per_c"]

_WAVELENGTH_NM = 550.0
ALUMINIUM_PER_K = 23.1e-6  # linear expansion at 20 C, handbook value
# The tube alone moves focus by its expansion; the lens adds about as much (common practice, no
# source). Too low: the first degrees of a first night go unnoticed; too high: needless runs.
_PRIOR_TUBES = 2.0


def tube_shift_um_per_c(length_mm: float) -> float:
    """Return by how much an aluminium tube shrinks for each degree, micrometres (alpha L)."""
    return ALUMINIUM_PER_K * length_mm * 1000.0


@dataclass(frozen=True, slots=True)
class FocusScale:
    """What the rig's optics say before anything is learned.

    Attributes:
        zone_steps: total depth of the critical focus zone.
        slope_sigma: spread of slopes that such a rig may have, steps a degree.
        declared: offsets of filters, steps, as the rig file says.
    """

    zone_steps: float
    slope_sigma: float
    declared: Mapping[str, int] = field(default_factory=dict)

    @classmethod
    def of_rig(
        cls,
        focal_length_mm: float,
        aperture_mm: float,
        steps_per_um: float | None,
        step: int,
        declared: Mapping[str, int],
    ) -> FocusScale:
        """Return the scale of a rig; without `steps_per_um` the samples of a run give it.

        Who sets up a rig chooses the distance of samples near the critical focus zone.
        """
        zone_um = critical_focus_zone_um(_WAVELENGTH_NM, focal_length_mm / aperture_mm)
        per_um = steps_per_um if steps_per_um is not None else step / zone_um
        slope = _PRIOR_TUBES * tube_shift_um_per_c(focal_length_mm) * per_um
        return cls(zone_um * per_um, slope, dict(declared))


@dataclass(frozen=True, slots=True)
class FocusPoint:
    """One good focus run.

    Attributes:
        history: what the probe had read up to it.
        foretold: where the model expected best focus, before the run.
    """

    night: str
    filter: str | None
    temperature_c: float
    position: float
    sigma_steps: float | None = None
    history: ProbeHistory | None = None
    foretold: float | None = None

    @property
    def felt(self) -> ProbeHistory:
        """The probe's history; air at rest where none was kept."""
        return self.history if self.history is not None else at_rest(self.temperature_c)
