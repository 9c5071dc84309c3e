"""Prompts of the bench by kind of hazard: when to stop at once, and what to do after a run.

They are reminders. They are no risk assessment, permit or training and never say that a run is
safe; the site's own rules, local codes and licensed practice come first. A method revision may
carry lists of its own, which then take their place. Usual cautions of the trade (common practice;
they borrow from ISO 12100, ISO 13850, ISO 13732-1, 29 CFR 1910.252 and the like). No Django here.
"""

from dataclasses import dataclass

GENERAL_RULES = (
    "No body part is a sensor or a support. Nothing under test is worn or felt by hand.",
    "Guards and interlocks stay on. If a shot needs the guard off, the shot does not happen.",
    "Two people for drops, presses, flame, hot parts, abrasion and anything after hours.",
    "Guests and cameras stay outside the marked zone. Anybody may say stop.",
    "The emergency stop is tried at the start of the session. Isolate before you clear a jam.",
    "Eye protection wherever anything can break, snap or spit. Nothing loose near turning parts.",
    "Extraction is shown to pull before smoke or dust. Nobody judges a gas by its smell.",
    "Used gear may carry blood, mould or fuel: gloves, clean it, or refuse it.",
    "Made of something nobody knows? No flame and no hot plate until it is known.",
    "Every near miss is written down, and nobody is blamed for it.",
)


@dataclass(frozen=True)
class Prompts:
    """What the bench shows of one kind of hazard."""

    words: str
    stop_if: tuple[str, ...]
    after_run: tuple[str, ...]


FAMILIES: dict[str, Prompts] = {
    "impact": Prompts(
        "falling mass",
        (
            "The carriage drags or the mass shifts.",
            "A guard cracks.",
            "Anybody steps into the zone.",
        ),
        (
            "Catch pin in before a hand goes in.",
            "Collect and count the fragments.",
            "Note the rebound and look at the cable.",
        ),
    ),
    "abrasion": Prompts(
        "abrasion machine",
        (
            "Any smoke or smell of burning.",
            "The edge of the belt frays, or the machine shakes.",
            "A person reaches past the guard.",
        ),
        (
            "Wait until it stands still, and isolate it before you clear it.",
            "Debris is cold and wet before it goes in the bin.",
            "Make the closing control run.",
        ),
    ),
    "pull": Prompts(
        "pull, seam and tear",
        (
            "A noise of slipping, or a jaw cracks.",
            "The load comes on crooked.",
            "Anybody stands in line with the pull.",
        ),
        (
            "Unload to nothing before the jaws open.",
            "Collect clips, wires and broken points.",
        ),
    ),
    "point": Prompts(
        "points and blades",
        (
            "The tip bends or the holder comes loose.",
            "A blade or point is missing from the count.",
            "A hand is near the path.",
        ),
        (
            "Cap the point or sheathe the blade.",
            "Count them back and log the wear of the edge.",
        ),
    ),
    "water": Prompts(
        "water",
        (
            "Water comes near power.",
            "A fitting weeps under pressure.",
            "The floor is wet where people walk.",
        ),
        (
            "Pressure to nothing, then open and drain.",
            "Write the date of the last disinfection if water is kept.",
        ),
    ),
    "heat": Prompts(
        "hot parts",
        (
            "Flame, or thick smoke.",
            "The probe jumps or disagrees with the second thermometer.",
            "The person who watches has to leave.",
        ),
        (
            "Power off. The guard stays on until the meter is below the site's touch limit.",
            "Keep the fire watch that the method sets.",
        ),
    ),
    "flame": Prompts(
        "open flame",
        (
            "Flame leaves the tray, or a pool of drips burns.",
            "The alarm of the extraction sounds.",
            "Headache or stinging eyes: everybody out, then call.",
        ),
        (
            "Gas off at the cylinder, then purge.",
            "Soak the specimens.",
            "Start the fire watch, with a name.",
            "Detectors are switched on again and somebody says so.",
            "Bag the ash.",
        ),
    ),
}


def prompts_of(
    family: str, stop_if: tuple[str, ...] = (), after_run: tuple[str, ...] = ()
) -> Prompts:
    """The prompts of a revision: its own lists where it has them, else those of its family."""
    known = FAMILIES.get(family, Prompts("", (), ()))
    return Prompts(known.words, stop_if or known.stop_if, after_run or known.after_run)
