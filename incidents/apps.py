"""The one Django app."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class IncidentsConfig(AppConfig):
    name = "incidents"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from incidents.ledger.guards import reapply
        from incidents.ledger.writing import follow
        from incidents.outbox.waking import wake
        from incidents.projections.climbing import look_again
        from incidents.projections.live import apply
        from incidents.tasks import wake_deliverer, wake_sweep

        follow(apply)
        follow(look_again)
        follow(wake_sweep)
        wake(wake_deliverer)
        post_migrate.connect(reapply, sender=self)
