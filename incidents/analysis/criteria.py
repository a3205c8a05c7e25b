"""What a record is held against: plain numbers with their source; None means that nobody set that limit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

from incidents.analysis.lethality import Rule

Decides = Literal["worst", "value"]
State = Literal["25-degC", "uncompensated"]
DISINFECTION = "disinfection"


class Dose(NamedTuple):
    """What one line has to dose in a phase, in ml, and by how many per cent it may differ either way."""

    line: str
    set_ml: float
    tolerance_percent: float


class PhaseLimits(NamedTuple):
    """A phase of the programme: °C and seconds. `held_s`: how long it stays at or above `low_c` without a break."""

    code: str
    set_c: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    held_s: float | None = None
    least_s: float | None = None
    most_s: float | None = None
    doses: tuple[Dose, ...] = ()


class Lethality(NamedTuple):
    """Disinfection asked for as A0, in equivalent seconds at 80 °C (ISO 15883-1, Annex B)."""

    a0_s: float
    source: str


class Pair(NamedTuple):
    """Disinfection asked for as a temperature for a time, kept as given: never converted to A0 or back."""

    celsius: float
    seconds: float
    source: str


class Conductivity(NamedTuple):
    """At most so many µS/cm over the last `final_s` seconds of the phase.

    `state` says how the limit is meant: compensated to 25 °C, or not at all. `sensor` says how the machine's sensor
    tells it where the record's column doesn't; None: nobody knows.
    """

    most_us_cm: float
    state: State
    sensor: State | None = None
    phase: str = "rinse"
    final_s: float = 30.0


class Calibration(NamedTuple):
    """From a probe's calibration record: reading minus truth, and what stays uncertain either way, in K."""

    tolerance_k: float
    bias_k: float = 0.0


class Criteria(NamedTuple):
    """Everything that a record is held against.

    `decides` *worst*: a criterion is met only if it is met at the worse end of the uncertainty; *value*: at the
    reading less its bias. `calibrations` by signal; `calibration` for those not named. `probes` is how many load
    probes the record must have. `kinds` are those of which something must be said. A probe is taken for stuck if it
    doesn't move for `stuck_s` while another moves by `stuck_k`; beyond `plausible_c` it is taken for an open or
    shorted circuit (common practice, from memory; a facility may set its own).
    """

    phases: tuple[PhaseLimits, ...]
    source: str
    disinfection: Lethality | Pair | None = None
    gap_s: float | None = None
    sampling_s: float | None = None
    agreement_k: float | None = None
    conductivity: Conductivity | None = None
    probes: int | None = None
    calibrations: Mapping[str, Calibration] = {}
    calibration: Calibration | None = None
    decides: Decides = "worst"
    rule: Rule = "exact"
    kinds: tuple[str, ...] = ()
    stuck_s: float = 60.0
    stuck_k: float = 5.0
    plausible_c: tuple[float, float] = (-10.0, 150.0)

    def phase(self, code: str) -> PhaseLimits:
        """The limits of this phase; none where the programme doesn't have it."""
        return next((each for each in self.phases if each.code == code), PhaseLimits(code))

    def calibration_of(self, signal: str) -> Calibration | None:
        return self.calibrations.get(signal, self.calibration)
