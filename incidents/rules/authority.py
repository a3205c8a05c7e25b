"""Roles, competences, and which deed each may do. One table, read by operations, pages and tests.

Source: common practice of sterile processing departments; a facility's own policy may be stricter.
"""

from __future__ import annotations

import msgspec

ROLES = (
    "technician",
    "supervisor",
    "infection-prevention",
    "engineering",
    "quality",
    "administrator",
    "device",
)
COMPETENCES = ("release", "override")
