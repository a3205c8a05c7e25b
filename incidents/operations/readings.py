"""A cycle's record of readings: read from a file, kept by its digest, judged once by the programme of its start."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Sequence
from typing import BinaryIO
from uuid import UUID

from incidents.analysis import packing, structured
from incidents.analysis.findings import told as number
from incidents.analysis.readings import AS_THEY_ARE, BYTES_MOST, CHUNK, Columns, Unreadable
from incidents.analysis.records import judge
from incidents.ledger import blobs
from incidents.operations.deeds import Doing, Outcome, Request, decision
from incidents.queries import facts, judging
from incidents.rules import readings as rules
from incidents.rules import record_forms
from incidents.rules.events import ColumnMeaning, ComputedFinding, ProbeReport, RecordShared, Stream, Verdict
from incidents.rules.loads import Load
from incidents.rules.readings import Told
from incidents.rules.refusals import Refusal

MEGABYTES_MOST = BYTES_MOST // 1024 // 1024


def receive(facility: UUID, file: BinaryIO, machine: UUID | None = None) -> Told | Refusal:
    """Read a record as its machine's exports are read, and keep its bytes, before any lock.

    What can't be read leaves nothing behind.
    """
    with tempfile.TemporaryFile() as spool:
        size = 0
        while chunk := file.read(CHUNK):
            size += len(chunk)
            if size > BYTES_MOST:
                return unreadable(
                    f"The file has more than {BYTES_MOST // 1024 // 1024} MB: give one cycle’s record."
                )
            spool.write(chunk)
        spool.seek(0)
        try:
            record = structured.read_either(
                io.BufferedReader(io.FileIO(spool.fileno(), closefd=False)), columns_of(facility, machine)
            )
        except Unreadable as error:
            return unreadable(str(error))
        plain = packing.canonical(record)
        digest = blobs.put_file(facility, spool)
    return Told(
        digest=digest,
        content=blobs.name_of(plain),
        packed=blobs.put(facility, packing.packed(plain)),
        size_bytes=size,
        rows=int(record.times.size),
        signals=tuple(signal.name for signal in record.signals),
        span_s=number(float(record.times[-1] - record.times[0])),
        started_at=record.started_at if record.started_at and record.started_at.tzinfo else None,
    )


def columns_of(facility: UUID, machine: UUID | None) -> Columns:
    """How this machine's exports are read; as they are, where nobody said otherwise."""
    form = facts.record_form(facility, machine) if machine else None
    if form is None:
        return AS_THEY_ARE
    return Columns({each.column: each.signal for each in form.columns}, form.header_line)


def unreadable(sentence: str) -> Refusal:
    return Refusal(
        "record-unreadable",
        f"The record can’t be read. {sentence} Nothing was written; the load stays as it was.",
        "Correct or export it again, and give it once more: see docs/records.md.",
    )


def keep(request: Request, *, load: UUID, file: BinaryIO) -> Outcome:
    """Receive a file and keep it for this load, as one deed."""
    told = receive(request.facility, file, facts.machine_of_load(request.facility, load))
    return told if isinstance(told, Refusal) else keep_readings(request, load=load, told=told)


@decision
def keep_readings(doing: Doing, *, load: UUID, told: Told) -> None:
    """Keep a record that was received, and judge it by the programme in force when the cycle started."""
    found = doing.load(load)
    doing.record(Stream("load", load), rules.keeping_refusal(found, told.content))
    verdict, findings = _judged(doing, found, told)
    others = facts.loads_with_record(doing.facility, told.content)
    doing.record(Stream("load", load), rules.kept(found, told, verdict, findings, others))
    for other in others:
        doing.conclude(Stream("load", other), RecordShared(load=load, content=told.content))


@decision
def set_record_form(
    doing: Doing,
    *,
    machine: UUID,
    columns: Sequence[ColumnMeaning],
    header_line: int = 1,
    probes: Sequence[ProbeReport] = (),
) -> None:
    """Say how a machine's own exports are read from here on, and which report relates each probe to the load."""
    known = doing.machine(machine)
    doing.record(Stream("machine", known.id), record_forms.set_form(columns, header_line, probes))


@decision
def review_readings(doing: Doing, *, load: UUID, remark: str = "") -> None:
    """A named person looked at the curve of the readings, what was computed from them, and the contents."""
    found = doing.load(load)
    said = doing.words(remark) if remark.strip() else None
    doing.record(Stream("load", load), rules.review_readings(found, said))


def _judged(doing: Doing, load: Load, told: Told) -> tuple[Verdict, list[ComputedFinding]]:
    force = load.programme
    programme = judging.programme_at(doing.facility, force.name, force.edition) if force else None
    if programme is None:
        why = f"programme “{load.programme_name}” is not known here"
        nothing = ComputedFinding(
            "disinfection", "disinfection", "nothing set", why, "", "not-proven", "no programme in force"
        )
        return "not-proven", [nothing]
    record = packing.unpacked(blobs.get(doing.facility, told.packed))
    judgement = judge(record, judging.criteria_of(programme))
    return judgement.verdict, [ComputedFinding(**finding._asdict()) for finding in judgement.findings]
