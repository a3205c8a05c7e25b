"""Every address of the API, version 1."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from incidents.api import (
    access,
    climbing,
    deeds,
    department,
    documents,
    evidence,
    floor,
    late,
    readings,
    signings,
    telling,
)
from incidents.api.observations import ObservationBatch, Observations
from incidents.api.problems import nothing_here

of_a_facility: list[URLPattern | URLResolver] = [
    path("observations/", Observations.as_view(), name="observations"),
    path("observations/batch/", ObservationBatch.as_view(), name="observation-batch"),
    path("observations/readings/", readings.OwnReadings.as_view(), name="own-readings"),
    path("now/", floor.TheFloor.as_view(), name="api-now"),
    path("open-items/", floor.OpenItems.as_view(), name="api-open-items"),
    path("open-items/<str:kind>/<uuid:owner>/<path:item>/", climbing.OneOpenItem.as_view(), name="api-open-item"),
    path("escalation/", climbing.TheEscalation.as_view(), name="api-escalation"),
    path("calendar/", climbing.TheCalendar.as_view(), name="api-calendar"),
    path("alarms/", floor.Alarms.as_view(), name="api-alarms"),
    path("handover/", telling.TheHandover.as_view(), name="api-handover"),
    path("messages/", telling.Messages.as_view(), name="api-messages"),
    path("contacts/", telling.Contacts.as_view(), name="api-contacts"),
    path("times/", floor.TimesToAnswer.as_view(), name="api-times"),
    path("incidents/<uuid:alarm>/", floor.OneIncident.as_view(), name="api-incident"),
    path("loads/", floor.Loads.as_view(), name="api-loads"),
    path("loads/<uuid:load>/", floor.OneLoad.as_view(), name="api-load"),
    path("loads/<uuid:load>/readings/", readings.Readings.as_view(), name="api-readings"),
    path("loads/<uuid:load>/what-if/", readings.OtherEdition.as_view(), name="api-what-if"),
    path("machines/", floor.Machines.as_view(), name="api-machines"),
    path("machines/<uuid:machine>/", floor.OneMachine.as_view(), name="api-machine"),
    path("machines/<uuid:machine>/figures/", floor.OneMachinesFigures.as_view(), name="api-machine-figures"),
    path("catalogue/", department.TheCatalogue.as_view(), name="api-catalogue"),
    path("policy/", department.ThePolicy.as_view(), name="api-policy"),
    path("programmes/", department.Programmes.as_view(), name="api-programmes"),
    path("programmes/<uuid:programme>/", department.OneProgramme.as_view(), name="api-programme"),
    path("trays/", department.Trays.as_view(), name="api-trays"),
    path("sets/", department.Sets.as_view(), name="api-sets"),
    path("racks/", department.Racks.as_view(), name="api-racks"),
    path("racks/<uuid:rack>/", department.OneRack.as_view(), name="api-rack"),
    path("paper-forms/", department.PaperForms.as_view(), name="api-paper-forms"),
    path("people/", department.People.as_view(), name="api-people"),
    path("events/", evidence.Events.as_view(), name="api-events"),
    path("events/<int:position>/", evidence.Proof.as_view(), name="api-proof"),
    path("log/", evidence.LogHead.as_view(), name="api-log"),
    path("log/consistency/", evidence.LogConsistency.as_view(), name="api-consistency"),
    path("tokens/", access.Tokens.as_view(), name="api-tokens"),
    path("tokens/<str:token>/revoke/", access.RevokeToken.as_view(), name="api-revoke-token"),
    path("late-entries/", late.LateEntry.as_view(), name="api-late-entries"),
    path("signings/", signings.Signings.as_view(), name="api-signings"),
    *(path(f"deeds/{name}/", deeds.door_of(name).as_view(), name=f"deed-{name}") for name in deeds.OFFERED),
]


def patterns() -> list[URLPattern | URLResolver]:
    """What the schema tells of, under its whole address."""
    return [path("api/v1/f/<slug:slug>/", include(of_a_facility))]


urlpatterns: list[URLPattern | URLResolver] = [
    path("f/<slug:slug>/", include(of_a_facility)),
    path("schema/", documents.schema, name="api-schema"),
    path("docs/", documents.docs, name="api-docs"),
    re_path(r"^(?P<rest>[\s\S]*)$", nothing_here, name="api-nothing"),  # a new line too, which `path` leaves out
]
