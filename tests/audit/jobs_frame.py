"""Jobs of a plan with just what the audit takes from them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geoplan.model import Plan


def jobs_of(plan: Plan) -> pd.DataFrame:
    """Give every drop a traffic control of its own figures."""
    count = len(plan.drops)
    number = np.arange(count, dtype=np.float64)
    return pd.DataFrame(
        {
            "address_id": plan.drops["address_id"],
            "traffic_class": pd.Series(
                [("none", "flaggers")[row % 2] for row in range(count)], dtype="str"
            ),
            "traffic_reasons": pd.Series([f"reason {row}" for row in range(count)], dtype="str"),
            "sign_1_m": 30.0 + number,
            "sign_2_m": 60.0 + number,
            "sign_3_m": 90.0 + number,
            "taper_m": np.where(number % 2 == 0, np.nan, 15.0),
            "buffer_m": 10.0 + number,
        }
    )
