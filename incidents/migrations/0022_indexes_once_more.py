from importlib import import_module

from django.db import migrations

known = import_module('incidents.migrations.0011_indexes_of_long_logs')


def make(apps, schema_editor):
    """SQLite makes a table anew for a new column, and Django then leaves out the indexes that no model knows."""
    vendor = schema_editor.connection.vendor
    for name, what in known.INDEXES.items():
        schema_editor.execute(f"CREATE INDEX IF NOT EXISTS {name} ON {what.format(late=known.LATE[vendor])}")


class Migration(migrations.Migration):

    dependencies = [
        ('incidents', '0021_open_item_words'),
    ]

    operations = [
        migrations.RunPython(make, migrations.RunPython.noop),
    ]
