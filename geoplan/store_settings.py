"""Settings of what is carried and when: wire supply, materials, crew days.

Enters: the tables [supply], [materials] and [days] of a project file.
Leaves: the sections `Supply`, `Materials` and `Days`, in SI.
Does not do: hold the catalogue of materials; that is ``geoplan/rules/materials.toml``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from geoplan.errors import nearest_name
from geoplan.settings import Duration, Length, Section, Si, Speed, metres, printable

LONGEST_DAY_S = 24 * 3600.0
LONGEST_TASK_S = 10 * LONGEST_DAY_S

WORK_S: Mapping[str, float] = MappingProxyType(
    {
        "same_side": 3000.0,
        "span_clamp": 4200.0,
        "street_crossing": 4500.0,
        "street_crossing_span_clamp": 5400.0,
        "bucket": 1200.0,
        "run_metre": 45.0,
        "run_pole": 300.0,
    }
)
"""Time on site by kind of job, and what a bucket and the strand run add.

Common practice, no source. A metre of strand run takes two ties and a share of moving the
ladder; a pole takes a ladder set up there to get the wire past it, or to the terminal.
"""

SETUP_S: Mapping[str, float] = MappingProxyType(
    {
        "none": 0.0,
        "beside_road": 0.0,
        "short_stop": 600.0,
        "flaggers": 1800.0,
        "lane_closure": 2700.0,
        "owner": 2700.0,
    }
)
"""Time to set up traffic control and take it down, by class; common practice, no source."""

Task = Annotated[Duration, Field(ge=0, le=LONGEST_TASK_S)]


def _over(usual: Mapping[str, float]) -> AfterValidator:
    """Lay the times given over the usual ones, and refuse kinds that don't exist."""

    def lay(given: dict[str, float]) -> dict[str, float]:
        for name in given:
            if name not in usual:
                message = f"has no kind '{name[:60]}'. {nearest_name(name, usual)}"
                raise ValueError(message)
        return {**usual, **given}

    return AfterValidator(lay)


def _copy(usual: Mapping[str, float]) -> Callable[[], dict[str, float]]:
    return lambda: dict(usual)


def _stocked(lengths: tuple[float, ...]) -> tuple[float, ...]:
    """Sort stocked lengths, each once."""
    if not lengths:
        message = "needs at least one length"
        raise ValueError(message)
    return tuple(sorted(set(lengths)))


class Supply(Section):
    """[supply]: how drop wire comes.

    All defaults are common practice, no source; set them for the wire that is bought.
    """

    kind: Literal["bulk", "pre_connectorised"] = Field(
        "bulk", description="Cut from bulk reels, or bought in lengths with connectors."
    )
    stocked_lengths: Annotated[
        tuple[Annotated[Length, Field(gt=0, le=10_000)], ...], AfterValidator(_stocked)
    ] = Field(
        (15.0, 30.0, 45.0, 60.0, 75.0, 90.0, 120.0, 150.0),
        description="Lengths that pre-connectorised wire is stocked in.",
    )
    reel_length: Length = metres(305.0, "Wire on a full bulk reel.", gt=0, le=100_000)
    coil_at: Annotated[str, AfterValidator(printable)] = Field(
        "at the network interface", max_length=80, description="Where surplus wire is coiled."
    )


class Materials(Section):
    """[materials]: what drops are built from."""

    catalogue: str = Field("generic", description="Catalogue of materials: generic, or a file.")


class Days(Section):
    """[days]: crew days.

    All defaults are common practice, no source; set them for the crews that do the work.
    """

    schedule: bool = Field(True, description="Whether drops are grouped into crew days.")
    length: Duration = Field(
        Si(7 * 3600.0),
        validate_default=True,
        gt=0,
        le=LONGEST_DAY_S,
        description="A crew's time for driving, traffic set-up and work in a day.",
    )
    speed: Speed = Field(
        Si(30 / 3.6), validate_default=True, gt=0.1, le=60, description="Average speed of driving."
    )
    detour: float = Field(
        1.4, ge=1, le=10, description="Way driven over the straight line; roads are not followed."
    )
    depot: tuple[float, float] | None = Field(
        None, description="[x, y] in the project CRS where days start and end; else at the stops."
    )
    setup_reach: Length = metres(
        500.0, "Stops of one road within this share one traffic set-up.", ge=0
    )
    work: Annotated[dict[str, Task], _over(WORK_S)] = Field(
        default_factory=_copy(WORK_S),
        description="Time on site by kind of job; 'bucket' is added for a bucket, 'run_metre' for "
        "each metre of wire along a strand, 'run_pole' for each pole passed and the terminal.",
    )
    setup: Annotated[dict[str, Task], _over(SETUP_S)] = Field(
        default_factory=_copy(SETUP_S),
        description="Time to set up traffic control, by traffic class.",
    )
