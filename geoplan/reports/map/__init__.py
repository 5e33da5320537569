"""The data of the map page: tables and layers of a plan as packed columns.

Enters: a `Plan`.
Leaves: blocks of text that the page's script unpacks.
Does not do: HTML.
"""
