"""What it takes to build planned drops: lengths, crews, traffic, materials, reels and days.

Enters: a plan's tables, its layers and settings, figures of the trade.
Leaves: the tables of `geoplan.work_tables`.
Does not do: choose routes; read or write files.
"""
