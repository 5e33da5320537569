"""The audit of crossings: every road, track and water that planned drops cross.

Enters: a finished plan and its jobs.
Leaves: the table ``crossing_audit``.
Does not do: change the plan; read or write files.
"""

from __future__ import annotations

from geoplan.audit.audit_table import build_audit

__all__ = ["build_audit"]
