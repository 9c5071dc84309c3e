"""Asks for plans as tests need them: gear with two palms, two sleeves, a back and a hem."""

from trials.plans.design import ITS_SITE, NOTHING, Ask, Item, MethodNeed, ZoneSpace

WATER = MethodNeed(
    key="water", name="Water uptake", stage=1, spoils=NOTHING, wets=True, runs_each=1, minutes=25
)
SEAM = MethodNeed(
    key="seam", name="Seam pull", stage=3, spoils=ITS_SITE, wets=False, runs_each=2, minutes=12
)
DROP = MethodNeed(
    key="drop",
    name="Padding drop",
    stage=4,
    spoils=ITS_SITE,
    wets=False,
    runs_each=1,
    minutes=30,
    control_minutes=10,
)
BELT = MethodNeed(
    key="belt", name="Belt abrasion", stage=6, spoils=ITS_SITE, wets=False, runs_each=2, minutes=10
)
FLAME = MethodNeed(
    key="flame", name="Flame", stage=8, spoils=ITS_SITE, wets=False, runs_each=1, minutes=30
)
METHODS = (WATER, SEAM, DROP, BELT, FLAME)

CARRIES = {
    "back": ("none", {"water": 1, "flame": 1}),
    "left-palm": ("left", {"drop": 1, "belt": 2}),
    "right-palm": ("right", {"drop": 1, "belt": 2}),
    "left-sleeve": ("left", {"belt": 2, "seam": 2}),
    "right-sleeve": ("right", {"belt": 2, "seam": 2}),
}


def spoiled(share: float) -> dict[str, float]:
    """So much of a zone is spoiled for whatever comes."""
    return {method.key: share for method in METHODS}


def zones(used: dict[tuple[str, str], int] | None = None) -> tuple[ZoneSpace, ...]:
    """The zones of one item; `used` says how many sites of a zone and method are gone."""
    gone = used or {}
    return tuple(
        ZoneSpace(
            code=code,
            name=code.replace("-", " ").capitalize(),
            side=side,
            sites=sites,
            free={
                method: tuple(range(1 + gone.get((code, method), 0), count + 1))
                for method, count in sites.items()
            },
            spoiled=spoiled(
                sum(
                    gone.get((code, method), 0) / count
                    for method, count in sites.items()
                    if method != "water"
                )
            ),
        )
        for code, (side, sites) in CARRIES.items()
    )


def item(code: str, arm: str, **changes: object) -> Item:
    """One item of one product."""
    fields = {"code": code, "arm": arm, "product": "Reed waders", "zones": zones(), **changes}
    return Item(**fields)  # type: ignore[arg-type]


def ask(*sizes: int, seed: int = 1, **changes: object) -> Ask:
    """An ask for arms of these sizes."""
    arms = tuple(f"Arm {k}" for k in range(1, len(sizes) + 1))
    items = tuple(
        item(f"S{a}{k:03d}", arm) for a, arm in enumerate(arms) for k in range(1, sizes[a] + 1)
    )
    fields = {
        "arms": arms,
        "items": items,
        "methods": METHODS,
        "session_minutes": 240.0,
        "seed": seed,
        **changes,
    }
    return Ask(**fields)  # type: ignore[arg-type]
