"""Does this process live, and is it able to serve: asked by whoever starts and watches it."""

from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse

from incidents.ledger import guards, witness


def livez(request: HttpRequest) -> JsonResponse:
    """The process answers. Nothing else is asked: a database that is down is no reason to restart it."""
    return JsonResponse({"status": "ok"})


def readyz(request: HttpRequest) -> JsonResponse:
    """The database answers, its ledger is guarded, and it is the ledger that was noted last; else 503."""
    try:
        found = [*guards.flaws(connection), *(doubt.sentence for doubt in witness.doubts())]
    except (DatabaseError, witness.WitnessUnreadable):
        found = ["the database or the witness can’t be read"]
    return JsonResponse({"status": "not ready" if found else "ok"}, status=503 if found else 200)
