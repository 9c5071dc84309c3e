"""Ready phrases for the note of a reading: a tap in place of typing with gloves on. No Django here.

They say what was seen, never what it means. Common practice of the trade, in our own words.
"""

GENERAL = (
    "Nothing unusual.",
    "Camera was running.",
    "Interrupted, see the void.",
    "Specimen moved during the run.",
)
BY_FAMILY: dict[str, tuple[str, ...]] = {
    "impact": (
        "Shell cracked.",
        "Shell whole, pad crushed.",
        "Rebounded to about a third of the height.",
        "Struck off the centre mark.",
        "Strap or fastening let go.",
    ),
    "abrasion": (
        "Outer layer through.",
        "All layers through.",
        "Stitching went first.",
        "Smoke seen.",
        "Belt edge frayed.",
    ),
    "pull": (
        "Seam opened along the stitches.",
        "Thread broke.",
        "Cloth tore beside the seam.",
        "Slipped in the jaw.",
        "Buckle let go.",
    ),
    "point": (
        "Point came through.",
        "Dent without a hole.",
        "Tip bent.",
        "Went in beside the pad.",
    ),
    "water": (
        "Drops stayed on the surface.",
        "Cloth wet through.",
        "Seam leaked first.",
        "Water ran in at an edge.",
    ),
    "heat": (
        "Melted onto the plate.",
        "Discoloured.",
        "Smell of burning.",
        "Probe lifted for a moment.",
    ),
    "flame": (
        "Flaming drips.",
        "Went out at once when the flame was taken away.",
        "Glowed after the flame.",
        "Thick smoke.",
        "Lining burned.",
    ),
}


def phrases_for(family: str) -> tuple[str, ...]:
    """The phrases of a kind of hazard, then those for any run."""
    return (*BY_FAMILY.get(family, ()), *GENERAL)
