"""The web process. It refuses a ledger that could be altered unseen, or that is shorter than it was."""

import gc
import os
import warnings

from django.core.asgi import get_asgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# WhiteNoise hands out files by plain iterators; they are small.
warnings.filterwarnings("ignore", message="StreamingHttpResponse must consume synchronous iterators")
inner = get_asgi_application()

from django.db import connection  # noqa: E402

from config.capped import capped  # noqa: E402
from incidents.ledger.guards import require_sound  # noqa: E402
from incidents.ledger.witness import require_unshortened  # noqa: E402

require_sound(connection)
require_unshortened()
connection.close()
application = capped(inner)

# What was imported stays. Looking through all of it for garbage now and then would hold a page up by 0.1 s.
gc.collect()
gc.freeze()
