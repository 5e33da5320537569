"""Plan aerial communication service drops from GIS layers.

Enters: nothing.
Leaves: the version; stages are imported from their own modules.
Does not do: import anything heavy.
"""

__version__ = "0.1.0"
