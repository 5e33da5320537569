"""Route candidates: which ways a drop could go, and what each air span meets.

Enters: checked layers and limits.
Leaves: air spans, their crossings, and the runs along the strand that lead to them.
Does not do: prices or heights.
"""
