"""Broken, doubtful and hostile rows of the demo town, and the list of them.

Enters: rows of all layers in local metres.
Leaves: the same with bad rows added or good ones spoilt, and a line about each.
Does not do: repair; files.
"""

from __future__ import annotations

from collections.abc import Mapping

from demo_streets import Row
from shapely import LineString, Point, Polygon
from shapely.geometry import box

Rows = Mapping[str, list[Row]]


def spoil(layers: Rows) -> list[tuple[str, str, str]]:
    """Add the bad rows.

    Parameters
    ----------
    layers : mapping of str to list of dict
        Rows of each layer, changed in place.

    Returns
    -------
    list of tuple of str
        Layer, row id, what is wrong with it.
    """
    return [
        *_spoil_addresses(layers["addresses"]),
        *_spoil_labels(layers["addresses"], layers["parcels"]),
        *_spoil_poles(layers["poles"], layers["buildings"]),
        *_spoil_ground(layers),
    ]


def _new_address(address_id: str, label: str, point: Point | None) -> Row:
    return {
        "address_id": address_id,
        "label": label,
        "ports_needed": "1",
        "locked": "",
        "forbidden": "",
        "geometry": point,
    }


def _spoil_addresses(rows: list[Row]) -> list[tuple[str, str, str]]:
    tenth = rows[9]
    twin = {**tenth, "geometry": Point(tenth["geometry"].x + 6.0, tenth["geometry"].y)}
    rows += [
        twin,
        _new_address("A901", "1 Nowhere Yet", None),
        _new_address("A902", "150 Quorrel Street (placed in the road)", Point(200.0, 88.6)),
        _new_address("A903", "Stall by the pond", Point(-60.0, 60.0)),
        _new_address("A904", "2 Marl Gate", Point(674.0, -43.0)),
        _new_address("", "Without an id", Point(645.0, -43.0)),
    ]
    rows[40]["ports_needed"] = "two"
    rows[77]["locked"] = "P-NONE"
    return [
        ("addresses", tenth["address_id"], "the id stands twice, 6 m apart"),
        ("addresses", "A901", "no coordinates"),
        ("addresses", "A902", "lies in the carriageway of Quorrel Street"),
        ("addresses", "A903", "lies outside every lot"),
        ("addresses", "A904", "lies on the self-crossing lot L902"),
        ("addresses", "(empty)", "no id"),
        ("addresses", rows[40]["address_id"], "`ports_needed` is the text 'two'"),
        ("addresses", rows[77]["address_id"], "locked to terminal P-NONE, which doesn't exist"),
    ]


def _spoil_labels(addresses: list[Row], parcels: list[Row]) -> list[tuple[str, str, str]]:
    texts = {
        22: "7 Zażółć Straße “Ünit” 北, O'Dell's \"corner\"",
        55: "<script>alert('label')</script>",
        90: "=1+1",
    }
    said = []
    for place, text in texts.items():
        addresses[place]["label"] = text
        said.append(("addresses", addresses[place]["address_id"], f"label `{text}`"))
    parcels[60]["owner"] = '<img src=x onerror="alert(1)">'
    parcels[61]["owner"] = "+SUM(1;2)"
    said.append(("parcels", parcels[60]["parcel_id"], "owner's name is an HTML tag"))
    said.append(("parcels", parcels[61]["parcel_id"], "owner's name looks like a formula"))
    return said


def _spoil_poles(rows: list[Row], buildings: list[Row]) -> list[tuple[str, str, str]]:
    by_id = {row["pole_id"]: row for row in rows}
    by_id["PG05"]["height_ft"] = "tall"
    blank = {
        "height_ft": None,
        "strand_ft": None,
        "power_ft": None,
        "ports_total": 0,
        "ports_in_use": 0,
        "ports_reserved": 0,
        "condition": "",
    }
    inside = buildings[75]["geometry"].representative_point()
    rows += [
        dict(by_id["PW04"]),
        {**blank, "pole_id": "PX01", "geometry": inside},
        {
            **blank,
            "pole_id": "PX02",
            "ports_total": 4,
            "ports_in_use": 5,
            "geometry": Point(628.2, -40.0),
        },
    ]
    return [
        ("poles", "PW04", "the same row stands twice"),
        ("poles", "PG05", "height is the text 'tall'"),
        ("poles", "PX01", f"stands inside building {buildings[75]['building_id']}; no heights"),
        ("poles", "PX02", "5 ports in use of 4"),
    ]


def _spoil_ground(layers: Rows) -> list[tuple[str, str, str]]:
    crossing = Polygon([(640, -60), (680, -25), (680, -60), (640, -25)])
    layers["parcels"] += [
        {"parcel_id": "L901", "owner": "Nobody", "geometry": None},
        {"parcel_id": "L902", "owner": "Bow Tie Trust", "geometry": crossing},
    ]
    layers["buildings"].append(
        {
            "building_id": "B901",
            "eave_height_ft": 9.0,
            "height_ft": 13.0,
            "roof_slope_deg": 18.4,
            "geometry": box(669.5, -46.0, 678.5, -40.0),
        }
    )
    end = LineString([(600.4, -90.2), (638.0, -91.0)])
    layers["strands"].append(
        {
            "strand_id": "Z90",
            "height_ft": 18.0,
            "size": "6_6m_1_4",
            "condition": "good",
            "geometry": end,
        }
    )
    layers["roads"].append(
        {
            "road_id": "R90",
            "name": "Mossgate Track",
            "road_class": None,
            "width_ft": None,
            "speed_mph": None,
            "vehicles_per_day": None,
            "jurisdiction": None,
            "geometry": LineString([(622.5, -95.5), (735.0, -118.0)]),
        }
    )
    layers["trees"].append(
        {
            "tree_id": "V901",
            "crown_radius_ft": -2.0,
            "height_ft": 20.0,
            "geometry": Point(-30.0, 120.0),
        }
    )
    layers["existing_drops"].append(
        {
            "drop_id": "X90",
            "terminal_id": "PZ99",
            "height_ft": 14.0,
            "geometry": LineString([(628.2, -40.0), (669.5, -43.0)]),
        }
    )
    return [
        ("parcels", "L901", "no geometry"),
        ("parcels", "L902", "outline crosses itself"),
        ("strands", "Z90", "its east end has no pole"),
        ("roads", "R90", "neither class nor width nor speed"),
        ("trees", "V901", "crown radius is negative"),
        ("existing_drops", "X90", "its terminal PZ99 doesn't exist"),
    ]
