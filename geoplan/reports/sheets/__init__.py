"""Job sheets: one leaf per planned drop, as HTML made for print and as PDF.

Enters: a `Plan` with the tables of the work, a selection, a folder.
Leaves: `write_sheets`.
Does not do: compute a figure; every one is in the plan.
"""

from __future__ import annotations
