"""The web process where pages are served by WSGI. It refuses a ledger that could be altered unseen, or
that is shorter than it was."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
application = get_wsgi_application()

from django.db import connection  # noqa: E402

from incidents.ledger.guards import require_sound  # noqa: E402
from incidents.ledger.witness import require_unshortened  # noqa: E402

require_sound(connection)
require_unshortened()
connection.close()
