"""Settings of a server that a bench starts: the production ones, on its database, with plain views beside."""

import os

from config import settings as production

globals().update({name: value for name, value in vars(production).items() if name.isupper()})
DATABASES = production.DATABASES | {
    "default": production.DATABASES["default"] | {"NAME": os.environ["SLUICEGATE_BENCH_DATABASE"]}
}
ROOT_URLCONF = "incidents.management.benches.plain"
