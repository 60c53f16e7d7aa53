"""An invented panel with its result and survey, and means without ranges, for the tests of quantities and logs."""

from dataclasses import replace
from pathlib import Path

from texscan.model import Coat
from texscan.plan import materials, quantities, rates
from texscan.plan.basis import basis_of
from texscan.plan.figure import USER, exactly
from texscan.survey.outcome import PatchOutcome, panel_outcome
from texscan.survey.records import Boat, Survey, SurveyPanel

ROOT = Path(__file__).parents[1]
SHIPPED = materials.materials_from_toml((ROOT / "calibration" / "materials.toml").read_text(), "materials.toml")
PRIMER = Coat("primer", "primer", volume_solids=0.5, wet_um=100)  # 50 um dry
TOPCOATS = tuple(Coat(f"topcoat {n}", "topcoat", 0.5, 100, thinning=0.0) for n in (1, 2))
COATS = (PRIMER, *TOPCOATS)
GUARD = 0.05


def figure(value, spread=0.0):
    return {"value": value, "low": value - spread, "high": value + spread}


def patch(
    name="", *, action="recoat", fill=0.25, cut=0.2, sdr=0.0, worn=0.0, void=0.25, fewer=("primer", "topcoat 2")
):
    return PatchOutcome(
        name,
        name,
        {
            "texture": {
                "Sdr": figure(sdr),
                "Sq_mm": figure(0.1),
                "relief_mm": figure(0.5),
                "void_depth_mm": figure(void),
                "contact_area_fraction": figure(0.1),
            },
            "shares": {"sound": 1 - worn, "worn": worn, "filled": 0.0},
            "recommendation": {"action": action, "reasons": ["r"], "would_change_it": []},
            "coats": {
                "void_depth_mm": [{"coat": coat.name, "low": 0.1, "likely": 0.2, "high": 0.3} for coat in COATS]
            },
            "options": [
                {"name": "recoat-as-planned", "offered": True, "coats": [c.name for c in COATS]},
                {"name": "fewer-coats", "offered": True, "coats": list(fewer)},
                {"name": "sprayed", "offered": True, "coats": [c.name for c in COATS]},
                {"name": "local-repair", "offered": worn > 0, "coats": []},
                {"name": "sand-flat-and-retexture", "offered": True, "fill_mm": figure(fill), "cut_mm": figure(cut)},
                {"name": "no-work-due", "offered": False},
            ],
            "flags": [],
        },
    )


def survey_of(*panels, coats=COATS):
    return Survey(Boat("invented"), coats=coats, panels=panels)


def exact_means(rates_text="", **figures):
    """Means without ranges: loss 0.20, no waste, one pass and one run of tape unless said."""
    given = rates.rates_from_toml(rates_text, "rates.toml")
    plain = {"loss_rolled": 0.20, "filler_waste": 0.0, "sand_flat_passes": 2, "key_passes": 1, "tape_runs": 1,
             "tape_waste": 0.0, "grit_cover": 0.6, "grit_in_hand": 3, "grit_sink": 0.0,
             "new_true_area": 1.0}  # fmt: skip
    table = plain | figures | given.materials
    return quantities.Means(materials.with_users(SHIPPED, table, "materials"), given, 120)


def lines(rows, item, detail=None):
    found = [row.figure for row in rows if row.item == item and detail in (None, row.detail)]
    assert found, f"no {item} {detail}"
    return found[0] if len(found) == 1 else found


def plain_basis(area=12.0, **changes):
    """12 m2 without a range, flat (Sdr 0), an edge of 14 m."""
    panel = SurveyPanel("deck", area_m2=area, perimeter_m=14.0)
    outcome = panel_outcome("deck", (patch(),), panel)
    found = basis_of(outcome, survey_of(panel), share_guard=GUARD)
    return replace(found, **({"area_m2": exactly(area, USER), "edge_m": exactly(14.0, USER)} | changes))
