"""
The cautions that belong to each way of doing the work: short, always there, deferring to those who answer for them.

Facts from public guidance of health and safety authorities, environment departments and shipyards; each is marked
where it is from memory. They warn; they do not replace data sheets, local codes or licensed practice.
"""

from __future__ import annotations

CLOSING = (
    "Follow the current data and safety sheets, local codes and yard rules, and have the work done by licensed or "
    "competent people where they ask for it. These figures are evidence of relief, not a slip rating, not a "
    "structural survey, not a clearance for lead or asbestos, and not a warranty."
)

CAUTIONS: dict[str, str] = {
    "isocyanates": (
        "Two-part polyurethane, and some one-part paint, holds isocyanates: a leading cause of occupational "
        "asthma, through lungs and skin. Spraying needs air-fed breathing apparatus; filter masks do not serve. "
        "With brush or roller use it too, unless the data sheet and a competent assessment say otherwise. Cover "
        "skin and eyes, keep others away; who is sensitised stays away."
    ),
    "epoxy": (
        "Epoxy can sensitise the skin for good, liquid or as dust of a filler that has not cured: nitrile or "
        "butyl gloves, covered skin, no solvent on skin, sand only what has cured."
    ),
    "solvents": (
        "Solvent vapour is heavier than air and gathers in cockpits, lockers and bilges: ventilate, no pilot "
        "light, no hot work, no spark from shore power; respirator with vapour cartridges."
    ),
    "fire": (
        "Rags with drying oil or one-part finish heat themselves: dry them flat outdoors or keep them in a lidded "
        "metal can with water. Keep peroxide catalyst away from dust and solvent rags. Have an extinguisher at "
        "hand."
    ),
    "dust": (
        "Old marine paint may hold lead, chromate, or copper or tin biocide: test before sanding. Extract the "
        "dust, wear P3 or FFP3, sand wet where that is possible, collect everything and dispose of it as the "
        "local code says."
    ),
    "falls": (
        "Wet paint, dust sheets, tape and a bare faired deck are slippery, and a boat ashore stands 2 to 4 m up: "
        "guard rails, a harness where they are off, no lone working."
    ),
    "no-slip-rating": (
        "No slip or friction rating follows from a photo or from relief: wet grip also depends on gloss, fine "
        "roughness, footwear and dirt. Paint over good relief can be slippery; where a rating is needed, have it "
        "tested on the deck."
    ),
}

# Which cautions stand with which option; every option ends with falls and no-slip-rating.
ALWAYS = ("falls", "no-slip-rating")
OF_OPTION: dict[str, tuple[str, ...]] = {
    "recoat-as-planned": ("isocyanates", "solvents", "fire", "dust", *ALWAYS),
    "fewer-coats": ("isocyanates", "solvents", "fire", "dust", *ALWAYS),
    "sprayed": ("isocyanates", "solvents", "fire", "dust", *ALWAYS),
    "local-repair": ("isocyanates", "epoxy", "solvents", "fire", "dust", *ALWAYS),
    "sand-flat-and-retexture": ("isocyanates", "epoxy", "solvents", "fire", "dust", *ALWAYS),
    "no-work-due": ALWAYS,
}
# Which options a recommended action stands for, where only the action is known.
OF_ACTION: dict[str, str] = {
    "recoat": "recoat-as-planned",
    "sand-flat-and-retexture": "sand-flat-and-retexture",
    "inconclusive": "sand-flat-and-retexture",  # either may follow: the longer list
}


def cautions_of(option: str) -> tuple[str, ...]:
    """Sentences for an option or an action, in order, ending with the closing words. KeyError on an unknown name."""
    return (*(CAUTIONS[name] for name in OF_OPTION[OF_ACTION.get(option, option)]), CLOSING)
