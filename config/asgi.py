"""The web process. It refuses to serve a ledger that could be altered unseen."""

import os
import warnings

from django.core.asgi import get_asgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# WhiteNoise hands out files by plain iterators; they are small.
warnings.filterwarnings("ignore", message="StreamingHttpResponse must consume synchronous iterators")
application = get_asgi_application()

from django.db import connection  # noqa: E402

from incidents.ledger.guards import require_sound  # noqa: E402

require_sound(connection)
connection.close()
