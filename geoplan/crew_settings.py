"""Settings of the work on site: lengths of wire, and who does it.

Enters: the tables [lengths] and [crew] of a project file.
Leaves: the sections `Lengths` and `Crew`, in SI.
Does not do: hold figures of the trade; crew and traffic rules live in ``geoplan/rules/crew``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from geoplan.settings import Length, Section, metres, printable

Name = Annotated[str, AfterValidator(printable)]
MOST_M = 1000.0
"""No part of a drop's wire beyond its air span and strand run is longer."""


class Lengths(Section):
    """[lengths]: wire beyond what hangs free.

    All defaults are common practice, no source; set them for the place.
    """

    interface_height: Length = metres(
        1.2, "Network interface above ground, where the building run isn't given.", ge=0, le=MOST_M
    )
    wall_run: Length = metres(
        4.0,
        "Wire along the wall to the network interface, where the run isn't given.",
        ge=0,
        le=MOST_M,
    )
    building_runs: dict[str, Annotated[Length, Field(ge=0, le=MOST_M)]] = Field(
        default_factory=dict,
        description="Address id = its whole building run, down and along the wall, where known.",
    )
    pole_run: Length = metres(1.2, "Wire from hook or strand to the terminal.", ge=0, le=MOST_M)
    loops: Length = metres(0.6, "Drip loops, both ends together.", ge=0, le=MOST_M)
    connections: Length = metres(0.9, "To connect, both ends together.", ge=0, le=MOST_M)
    strand_extra: float = Field(
        0.02, ge=0, le=0.5, description="More wire along the strand than its length, as a part."
    )
    cut_step: Length = metres(
        0.3048, "A length cut from a reel is rounded up to this; the default is 1 ft.", gt=0, le=100
    )
    too_long: Literal["report", "bulk"] = Field(
        "report",
        description="Where no stocked length is long enough: report it, or cut from a bulk reel.",
    )


class Crew(Section):
    """[crew]: who does the work, and by which rules."""

    rules: str = Field("us", description="Crew and traffic rules: us, or a file.")
    two_people: tuple[Name, ...] = Field(
        (), description="Addresses whose drop two people build in any case."
    )
