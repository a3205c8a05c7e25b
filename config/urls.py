"""Every URL. A facility's data lives under its slug; what isn't yours answers 404."""

from django.urls import URLPattern, URLResolver, include, path

from incidents.api.observations import Observations
from incidents.pages import alarms, deciding, entry, health, loads, now, set_up

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
]
of_set_up = [
    path("", set_up.overview, name="set-up"),
    path("people/", set_up.add_someone, name="add-person"),
    path("machines/", set_up.add_machine, name="add-machine"),
    path("machines/<uuid:machine>/token/", set_up.make_token, name="make-token"),
    path("tokens/<str:token>/revoke/", set_up.revoke_token, name="revoke-token"),
    path("programmes/", set_up.add_programme, name="add-programme"),
    path("sets/", set_up.add_set, name="add-set"),
    path("catalogue/", set_up.catalogue, name="catalogue"),
]
of_a_facility: list[URLPattern | URLResolver] = [
    path("", now.now, name="now"),
    path("scan/", now.scan, name="scan"),
    path("loads/", loads.loads, name="loads"),
    path("loads/new/", loads.assemble, name="assemble"),
    path("loads/<uuid:load>/", include(of_a_load)),
    path("alarms/<str:kind>/<uuid:owner>/<uuid:alarm>/", alarms.alarm, name="alarm"),
    path("alarms/<str:kind>/<uuid:owner>/<uuid:alarm>/seen/", alarms.acknowledge, name="acknowledge"),
    path("alarms/load/<uuid:owner>/<uuid:alarm>/resume/", alarms.resume, name="resume"),
    path("alarms/load/<uuid:owner>/<uuid:alarm>/abort/", alarms.abort, name="abort"),
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
