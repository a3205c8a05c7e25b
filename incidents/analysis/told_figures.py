"""What is told of one fault of one machine, and of all machines together: plain values, kept as JSON."""

from __future__ import annotations

import msgspec

TOO_FEW, NOTHING, RISING, FALLING = "too few to say", "no trend shown", "rising", "falling"


class Rate(msgspec.Struct, frozen=True):
    """Faults in a hundred cycles or hours, with exact bounds."""

    value: float
    low: float
    high: float


class Law(msgspec.Struct, frozen=True):
    """The power law over cycles; `rate_now` in a hundred of them. What there is none of is None."""

    shape: float | None
    shape_low: float | None
    shape_high: float | None
    scale: float | None
    rate_now: float | None
    mtbf_now: float | None
    mtbf_now_low: float | None
    mtbf_now_high: float | None


class Trend(msgspec.Struct, frozen=True):
    """Tests and estimates of one history; `p` is MIL-HDBK-189's, where gaps are `uneven` Lewis and Robinson's."""

    p: float | None
    uneven: bool
    unevenness: float | None
    reversals: int
    reversals_p: float | None
    laplace_z: float | None
    laplace_p: float | None
    lewis_robinson_z: float | None
    lewis_robinson_p: float | None
    mil_hdbk_chi2: float | None
    mil_hdbk_df: int
    mil_hdbk_p: float | None
    fit: float | None
    fit_critical_10: float | None
    likeliest: Law
    modified: Law


class Repair(msgspec.Struct, frozen=True):
    """Faults before and after a return to service over equal exposure. `repaired`: a person had taken it out."""

    back_at: float
    reason: str
    repaired: bool
    cycles: float
    before: int
    after: int
    stretch: float
    ratio: float | None
    low: float | None
    high: float | None
    fluke: float
    worse: float


class CameBack(msgspec.Struct, frozen=True):
    """Of `resolved` returns to service after this fault, it came back within `within` cycles after `back` of them;
    of `unknown` that can't be said yet."""

    resolved: int
    back: int
    unknown: int
    within: int


class Weeks(msgspec.Struct, frozen=True):
    """A u-chart by weeks of seven days since the first cycle; `signals` are weeks beyond the limits, from 1."""

    counts: list[int]
    cycles: list[int]
    center: float
    low: list[float]
    high: list[float]
    signals: list[int]


class Stay(msgspec.Struct, frozen=True):
    """A return to service on the machine's own axis."""

    back_at: float
    cycles: float
    reason: str


class Watch(msgspec.Struct, frozen=True):
    """What was watched, and what of it is left out; stands in the row of all faults together."""

    left_out_cycles: int
    left_out_alarms: int
    unplaced: int
    returns: list[Stay]


class Figures(msgspec.Struct, frozen=True):
    """One fault of one machine. `at` has the cycles, `count` of them after chattering; `told` counts all alarms.

    Without `trend` there are too few faults to say; without `repair` nothing was repaired after one.
    """

    fault: str
    told: int
    count: int
    cycles: int
    hours: float
    at: list[float]
    per_100_cycles: Rate | None
    per_100_hours: Rate | None
    trend: Trend | None = None
    repair: Repair | None = None
    came_back: CameBack | None = None
    weeks: Weeks | None = None
    watch: Watch | None = None


class Final(msgspec.Struct, frozen=True):
    """What only all rows together can say of one: q-values over the report, the rest of the fleet, a shrunken rate.

    `verdict` is one of the words above, `repaired` whether the newest repair is shown to have worked; `above` and
    `below` whether its rate is shown to be another than the rest's. Ratio and bounds are this machine's over it.
    """

    verdict: str
    trend_q: float | None
    repaired: bool
    repair_q: float | None
    above: bool
    below: bool
    rest_count: int
    rest_cycles: int
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    fleet_p: float | None
    fleet_q: float | None
    shrunken: Rate | None
    weight: float | None
    rank: int


class Fleet(msgspec.Struct, frozen=True):
    """One fault over all machines; `mcf` is the mean number of faults a machine by the age `mcf_age`, in cycles."""

    fault: str
    machines: int
    count: int
    cycles: int
    per_100_cycles: Rate | None
    alike_chi2: float | None
    alike_df: int
    alike_p: float | None
    mcf_age: float | None
    mcf: float | None
    mcf_low: float | None
    mcf_high: float | None
