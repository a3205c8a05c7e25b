"""What a programme asks of a record, for calculation; and a record judged by any of its editions."""

from __future__ import annotations

from uuid import UUID

from incidents.analysis import criteria as asked
from incidents.analysis import lethality
from incidents.analysis.criteria import Criteria
from incidents.ledger.reading import read_stream
from incidents.queries import facts
from incidents.rules.events import ProgrammePublished, Stream
from incidents.rules.limits import ConductivityLimit, Limits, PhaseLimit, Requirement


def programme_at(facility: UUID, name: str, edition: int | None = None) -> ProgrammePublished | None:
    """This edition of the programme, or the newest."""
    if edition is None:
        return facts.programme(facility, name)
    stream = facts.programme_id(facility, name)
    told = [event.data for event in read_stream(facility, Stream("programme", stream))] if stream else []
    return next((each for each in told if isinstance(each, ProgrammePublished) and each.edition == edition), None)


def editions_of(facility: UUID, name: str) -> list[int]:
    """The numbers of every edition that was ever in force under this name, oldest first."""
    stream = facts.programme_id(facility, name)
    told = [event.data for event in read_stream(facility, Stream("programme", stream))] if stream else []
    return [each.edition for each in told if isinstance(each, ProgrammePublished)]


def criteria_of(programme: ProgrammePublished) -> Criteria:
    """The programme's limits as plain numbers. What it doesn't set stays None, and so *not proven*."""
    limits = programme.limits or Limits()
    by_code = {phase.code: phase for phase in limits.phases}
    return Criteria(
        phases=tuple(_phase(by_code.get(phase.code, PhaseLimit(phase.code))) for phase in programme.phases),
        source=f"programme “{programme.name}”, edition {programme.edition}",
        disinfection=_requirement(limits.disinfection),
        gap_s=_number(limits.gap_s),
        sampling_s=_number(limits.sampling_s),
        agreement_k=_number(limits.agreement_k),
        conductivity=_conductivity(limits.conductivity),
        probes=limits.probes,
        calibrations={
            each.signal: asked.Calibration(float(each.tolerance_k), float(each.bias_k))
            for each in limits.calibrations
        },
        calibration=asked.Calibration(float(limits.tolerance_k)) if limits.tolerance_k else None,
        decides=limits.decides,
        rule=limits.rule,
        kinds=tuple(dict.fromkeys(criterion.kind for criterion in programme.criteria)),
    )


def delivered_as_set(limits: Limits) -> float | None:
    """The A0 in seconds of the disinfection phase's set temperature over its holding time, where both are set."""
    phase = next((each for each in limits.phases if each.code == asked.DISINFECTION), None)
    if phase is None or not phase.set_c or phase.held_s is None:
        return None
    celsius = float(phase.set_c)
    return phase.held_s * float(lethality.rate(celsius)) if celsius >= lethality.A0_FLOOR_C else 0.0


def _phase(phase: PhaseLimit) -> asked.PhaseLimits:
    return asked.PhaseLimits(
        phase.code,
        _number(phase.set_c),
        _number(phase.low_c),
        _number(phase.high_c),
        phase.held_s,
        phase.least_s,
        phase.most_s,
        tuple(asked.Dose(each.line, float(each.set_ml), float(each.tolerance_percent)) for each in phase.doses),
    )


def _requirement(required: Requirement | None) -> asked.Lethality | asked.Pair | None:
    if required is None:
        return None
    source = f"{required.source}, from {required.effective_on}"
    if required.a0_s is not None:
        return asked.Lethality(required.a0_s, source)
    return asked.Pair(float(required.celsius), required.seconds or 0, source)


def _conductivity(limit: ConductivityLimit | None) -> asked.Conductivity | None:
    if limit is None:
        return None
    sensor = None if limit.sensor == "unknown" else limit.sensor
    return asked.Conductivity(float(limit.most_us_cm), limit.state, sensor, limit.phase, limit.final_s)


def _number(text: str) -> float | None:
    return float(text) if text else None
