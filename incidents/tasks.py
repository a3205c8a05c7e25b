"""Celery's doors."""

from celery import shared_task


@shared_task(name="sluicegate.sweep", ignore_result=True)
def sweep() -> None:
    """Find what time alone has made due. Safe to run twice, late, or by ten workers."""
