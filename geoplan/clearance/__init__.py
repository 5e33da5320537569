"""Heights, sag and clearance of air spans: what decides whether a route can be built.

Enters: air spans with what they meet, heights of the plant, rules, wire.
Leaves: chosen heights and sag, margins, or the miss.
Does not do: prices.
"""
