"""The choice for all addresses together.

Enters: priced candidates and ports.
Leaves: the route of each address, the proof that no cheaper choice exists, the unserved.
Does not do: geometry.
"""
