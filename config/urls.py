"""Every URL. A facility's data lives under its slug; what isn't yours answers 404."""

from django.urls import URLPattern, URLResolver, include, path

from incidents.api.observations import Observations
from incidents.pages import (
    alarms,
    catalogue,
    deciding,
    department,
    downtime,
    entry,
    evidence,
    health,
    last_known,
    load_deeds,
    loads,
    machines,
    now,
    release_round,
    set_up,
    wall,
)

of_a_load = [
    path("", loads.load, name="load"),
    path("start/", loads.start, name="start"),
    path("end/", loads.report_end, name="report-end"),
    path("alarm/", loads.report_alarm, name="report-alarm"),
    path("place/", loads.place, name="place"),
    path("rerun/", loads.rerun, name="rerun"),
    path("hold/", loads.hold, name="hold"),
    path("review/", deciding.review, name="review"),
    path("release/", deciding.release, name="release"),
    path("lift/", deciding.lift, name="lift"),
    path("deeds/<slug:name>/", load_deeds.deed, name="load-deed"),
]
of_a_machine = [
    path("", machines.machine, name="machine"),
    path("block/", machines.block, name="block-machine"),
    path("return/", machines.bring_back, name="return-machine"),
    path("here/", machines.bind_here, name="bind-machine"),
    path("supply/", machines.change_supply, name="change-supply"),
    path("explain/", machines.explain, name="explain-cycle"),
    path("exposure/", machines.exposure, name="record-exposure"),
]
of_set_up = [
    path("", set_up.overview, name="set-up"),
    path("people/", set_up.add_someone, name="add-person"),
    path("machines/", set_up.add_machine, name="add-machine"),
    path("machines/<uuid:machine>/token/", set_up.make_token, name="make-token"),
    path("tokens/<str:token>/revoke/", set_up.revoke_token, name="revoke-token"),
    path("programmes/", set_up.add_programme, name="add-programme"),
    path("sets/", set_up.add_set, name="add-set"),
]
of_the_catalogue = [
    path("", catalogue.read, name="catalogue"),
    path("draft/", catalogue.draft, name="catalogue-draft"),
    path("draft/fault/", catalogue.fault, name="catalogue-fault"),
    path("draft/remove/", catalogue.remove, name="catalogue-remove"),
    path("draft/drop/", catalogue.drop, name="catalogue-drop"),
    path("compare/", catalogue.compare, name="catalogue-compare"),
    path("publish/", catalogue.publish, name="catalogue-publish"),
]
of_racks = [
    path("", department.racks, name="racks"),
    path("<uuid:rack>/", department.rack, name="rack"),
    path("<uuid:rack>/block/", department.block_rack, name="block-rack"),
    path("<uuid:rack>/return/", department.return_rack, name="return-rack"),
]
of_downtime = [
    path("", downtime.forms, name="downtime"),
    path("issue/", downtime.issue, name="issue-forms"),
    path("print/", downtime.print_forms, name="print-forms"),
    path("find/", downtime.find, name="find-form"),
    path("<int:number>/", downtime.enter, name="enter-form"),
    path("<int:number>/void/", downtime.void, name="void-form"),
]
of_a_facility: list[URLPattern | URLResolver] = [
    path("", now.now, name="now"),
    path("scan/", now.scan, name="scan"),
    path("loads/", loads.loads, name="loads"),
    path("loads/new/", loads.assemble, name="assemble"),
    path("loads/round/", release_round.release_round, name="release-round"),
    path("loads/<uuid:load>/", include(of_a_load)),
    path("live/", wall.stream, name="live"),
    path("wall/", wall.wall, name="wall"),
    path("wall/here/", wall.make_board, name="make-board"),
    path("evidence/", evidence.evidence, name="evidence"),
    path("downtime/", include(of_downtime)),
    path("last-known/", last_known.last_known, name="last-known"),
    path("offline.js", last_known.worker, name="offline-worker"),
    path("machines/<uuid:machine>/", include(of_a_machine)),
    path("alarms/<str:kind>/<uuid:owner>/<uuid:alarm>/", alarms.alarm, name="alarm"),
    path("alarms/<str:kind>/<uuid:owner>/<uuid:alarm>/seen/", alarms.acknowledge, name="acknowledge"),
    path("alarms/load/<uuid:owner>/<uuid:alarm>/resume/", alarms.resume, name="resume"),
    path("alarms/load/<uuid:owner>/<uuid:alarm>/abort/", alarms.abort, name="abort"),
    path("catalogue/", include(of_the_catalogue)),
    path("racks/", include(of_racks)),
    path("sets/", department.sets, name="sets"),
    path("policy/", department.policy, name="policy"),
    path("set-up/", include(of_set_up)),
]
urlpatterns = [
    path("", entry.root, name="root"),
    path("healthz", health.healthz, name="healthz"),
    path("first-run/", entry.first_run, name="first-run"),
    path("sign-in/", entry.sign_in, name="sign-in"),
    path("sign-out/", entry.sign_out, name="sign-out"),
    path("f/<slug:slug>/", include(of_a_facility)),
    path("api/v1/f/<slug:slug>/observations/", Observations.as_view(), name="observations"),
]
