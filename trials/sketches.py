"""Outlines of gear with the tested zone marked, drawn by ourselves. No Django here.

An outline is schematic: it says which part, never where to the millimetre. A garment is shown from
the front on the left and from behind on the right; wearer's left is on the viewer's right in front.
A zone is matched to a part by the words of its code, name and side; what does not match is shown
without a mark, and said so.
"""

import re
from dataclasses import dataclass

Words = frozenset[str]


@dataclass(frozen=True)
class Part:
    """A place on an outline, an ellipse. Each set of `needs` must share a word with the zone."""

    words: str
    x: float
    y: float
    rx: float
    ry: float
    needs: tuple[Words, ...]


@dataclass(frozen=True)
class Outline:
    """The outline of a kind of gear; `captions` are (x, y, words) under its views."""

    words: str
    width: int
    height: int
    paths: tuple[str, ...]
    captions: tuple[tuple[float, float, str], ...]
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Sketch:
    """An outline with the part that a zone means, or none."""

    outline: Outline
    marked: Part | None
    zone_words: str

    @property
    def alt(self) -> str:
        """What a person who cannot see it is told."""
        if self.marked is None:
            return (
                f"Sketch of {self.outline.words}. The zone {self.zone_words} is not marked on it."
            )
        return f"Sketch of {self.outline.words} with {self.marked.words} marked."


def sketch_of(kind: str, *, code: str, name: str, side: str = "") -> Sketch | None:
    """The sketch for a kind of product and a zone; None for kinds without an outline."""
    outline = OUTLINES.get(kind)
    if outline is None:
        return None
    said = set(re.findall(r"[a-z]+", f"{code} {name} {side}".lower()))
    words = frozenset(said | {word.removesuffix("s") for word in said})
    fitting = [part for part in outline.parts if all(need & words for need in part.needs)]
    # the part that asks for most is the closest; the first of equals
    marked = max(fitting, key=lambda part: len(part.needs), default=None)
    return Sketch(outline, marked, name)


def _any(*words: str) -> Words:
    return frozenset(words)


LEFT, RIGHT = _any("left", "l"), _any("right", "r")
BACK = _any("back", "rear", "behind")


def _both(
    words: str, spot: tuple[float, float], size: tuple[float, float], *needs: Words
) -> list[Part]:
    """The same part on both sides; `spot` is where wearer's right is, mirrored about x = 75."""
    (x, y), (rx, ry) = spot, size
    return [
        Part(f"the right {words}", x, y, rx, ry, (*needs, RIGHT)),
        Part(f"the left {words}", 150 - x, y, rx, ry, (*needs, LEFT)),
    ]


_JACKET = Outline(
    words="a jacket, front and back",
    width=320,
    height=170,
    paths=(
        "M52 30 66 22Q75 33 84 22L98 30 104 62 102 142 48 142 46 62Z",
        "M52 30 34 42 18 118 32 123 46 62M98 30 116 42 132 118 118 123 104 62",
        "M75 30V142",
        "M222 30 236 22Q245 27 254 22L268 30 274 62 272 142 218 142 216 62Z",
        "M222 30 204 42 188 118 202 123 216 62M268 30 286 42 302 118 288 123 274 62",
    ),
    captions=((75, 162, "front"), (245, 162, "back")),
    parts=(
        *_both("shoulder", (50, 36), (12, 8), _any("shoulder")),
        *_both("elbow", (31, 84), (8, 11), _any("elbow")),
        *_both("forearm", (26, 104), (7, 12), _any("forearm")),
        *_both("sleeve", (34, 72), (8, 20), _any("sleeve", "arm", "upper")),
        *_both("cuff", (25, 117), (9, 6), _any("cuff", "wrist")),
        *_both("side of the chest", (60, 66), (10, 14), _any("chest", "front", "breast")),
        *_both("side seam", (48, 100), (5, 26), _any("side", "flank"), _any("seam", "side")),
        Part("the chest", 75, 62, 20, 16, (_any("chest", "front", "breast"),)),
        Part("the hem", 75, 136, 26, 6, (_any("hem", "waist"),)),
        Part("the collar", 75, 27, 14, 6, (_any("collar", "neck"),)),
        Part("the shoulders", 245, 34, 30, 7, (_any("shoulder"),)),
        Part("the left side of the back", 230, 74, 12, 22, (BACK, LEFT)),
        Part("the right side of the back", 260, 74, 12, 22, (BACK, RIGHT)),
        Part("the back", 245, 74, 20, 26, (BACK,)),
        Part("the lower back", 245, 116, 20, 12, (BACK, _any("lower", "low", "lumbar"))),
        Part("a sleeve", 34, 76, 9, 22, (_any("sleeve", "arm"),)),
        Part("an elbow", 31, 84, 8, 11, (_any("elbow"),)),
    ),
)

_TROUSERS = Outline(
    words="trousers, front and back",
    width=320,
    height=190,
    paths=(
        "M48 18H102L108 90 104 166H80L75 72 70 166H46L42 90Z",
        "M218 18H272L278 90 274 166H250L245 72 240 166H216L212 90Z",
    ),
    captions=((75, 184, "front"), (245, 184, "back")),
    parts=(
        *_both("knee", (58, 108), (11, 13), _any("knee")),
        *_both("hip", (47, 42), (7, 13), _any("hip")),
        *_both("thigh", (58, 78), (11, 17), _any("thigh")),
        *_both("shin", (58, 136), (9, 16), _any("shin", "calf", "lower")),
        *_both("inseam", (68, 110), (4, 34), _any("inseam", "inner", "inside")),
        *_both("side seam", (45, 100), (4, 40), _any("outer", "side", "seam")),
        Part("the left seat", 230, 46, 12, 16, (_any("seat", "bottom", "rear"), LEFT)),
        Part("the right seat", 260, 46, 12, 16, (_any("seat", "bottom", "rear"), RIGHT)),
        Part("the seat", 245, 46, 24, 16, (_any("seat", "bottom", "rear", "crotch"),)),
        Part("the waist", 75, 22, 25, 6, (_any("waist", "belt"),)),
        Part("a knee", 58, 108, 11, 13, (_any("knee"),)),
        Part("a hip", 47, 42, 7, 13, (_any("hip"),)),
        Part("a thigh", 58, 78, 11, 17, (_any("thigh"),)),
        *_both("leg", (58, 112), (12, 46), _any("leg")),
    ),
)

# A right hand seen from the back on the left, its palm on the right; the sides share one drawing.
_HAND = (
    "M{0} 150 {1} 96Q{2} 84 {3} 88L{4} 104 {4} 52Q{5} 40 {6} 52L{6} 88 {7} 38Q{8} 28 {9} 38L{9} 86 "
    "{10} 42Q{11} 32 {12} 42L{12} 90 {13} 58Q{14} 48 {15} 58L{15} 112Q{15} 130 {16} 150Z"
)


_HAND_X = (46, 32, 24, 30, 54, 62, 70, 73, 81, 89, 92, 100, 108, 111, 118, 125, 110)


def _hand(*, mirrored_about: float | None = None) -> str:
    across = [x if mirrored_about is None else 2 * mirrored_about - 170 - x for x in _HAND_X]
    return _HAND.format(*(f"{x:g}" for x in across))


_GLOVES = Outline(
    words="a glove, back of the hand and palm",
    width=320,
    height=190,
    paths=(
        _hand(),
        "M44 150H112L116 172H40Z",
        _hand(mirrored_about=248),
        "M214 150H282L286 172H210Z",
    ),
    captions=((78, 186, "back of the hand"), (248, 186, "palm")),
    parts=(
        Part("the knuckles", 90, 92, 34, 9, (_any("knuckle"),)),
        Part("the back of the hand", 88, 118, 26, 18, (BACK,)),
        Part("the fingers", 98, 60, 30, 20, (_any("finger"),)),
        Part("the thumb", 38, 104, 12, 14, (_any("thumb"),)),
        Part("the cuff", 78, 162, 36, 9, (_any("cuff", "wrist", "closure"),)),
        Part("the heel of the palm", 242, 136, 24, 11, (_any("palm"), _any("heel", "slider"))),
        Part("the palm", 240, 114, 28, 20, (_any("palm"),)),
        Part("the edge of the hand", 206, 122, 8, 22, (_any("edge", "side", "outer"),)),
        Part("the fingertips", 228, 48, 34, 12, (_any("tip", "fingertip"),)),
        Part("a seam between the fingers", 232, 74, 6, 16, (_any("seam", "fourchette"),)),
    ),
)

_LIMB = Outline(
    words="a limb protector, outer face",
    width=160,
    height=190,
    paths=(
        "M80 14Q124 14 128 60 132 96 112 140 98 172 80 172 62 172 48 140 28 96 32 60 36 14 80 14Z",
        "M80 36Q108 36 110 66 112 90 80 92 48 90 50 66 52 36 80 36Z",
    ),
    captions=((80, 186, "outer face"),),
    parts=(
        Part("the top", 80, 26, 26, 9, (_any("top", "upper"),)),
        Part("the lower end", 80, 150, 22, 14, (_any("lower", "bottom", "shin", "forearm"),)),
        Part("the left edge", 42, 86, 9, 30, (_any("edge", "side", "wing"), LEFT)),
        Part("the right edge", 118, 86, 9, 30, (_any("edge", "side", "wing"), RIGHT)),
        Part(
            "the middle",
            80,
            66,
            24,
            20,
            (_any("middle", "centre", "cap", "crown", "knee", "elbow", "impact"),),
        ),
        Part("a strap", 80, 118, 46, 6, (_any("strap", "fastening"),)),
    ),
)

_BACK_PROTECTOR = Outline(
    words="a back protector, outer face",
    width=160,
    height=200,
    paths=(
        "M52 14H108L128 44 118 128Q112 172 80 186 48 172 42 128L32 44Z",
        "M38 58H122M40 86H120M43 114H117M48 142H112",
    ),
    captions=((80, 198, "outer face"),),
    parts=(
        Part("the top", 80, 34, 30, 15, (_any("top", "upper", "shoulder"),)),
        Part("the middle", 80, 92, 28, 22, (_any("middle", "centre", "center", "spine", "mid"),)),
        Part("the lower end", 80, 150, 22, 20, (_any("lower", "bottom", "lumbar", "tail"),)),
        Part("the left wing", 46, 92, 9, 30, (_any("side", "wing", "edge"), LEFT)),
        Part("the right wing", 114, 92, 9, 30, (_any("side", "wing", "edge"), RIGHT)),
        Part("the strap", 80, 122, 44, 6, (_any("strap", "belt", "buckle"),)),
        Part("the plate", 80, 100, 34, 60, (_any("plate", "shell", "pad", "foam", "core"),)),
    ),
)

_CHEST_PROTECTOR = Outline(
    words="a chest protector, outer face",
    width=180,
    height=160,
    paths=(
        "M40 20Q90 40 140 20L156 70Q150 122 90 140 30 122 24 70Z",
        "M90 32V138",
    ),
    captions=((90, 156, "outer face"),),
    parts=(
        Part("the wearer's right half", 58, 78, 22, 30, (RIGHT,)),
        Part("the wearer's left half", 122, 78, 22, 30, (LEFT,)),
        Part("the top", 90, 44, 34, 9, (_any("top", "upper"),)),
        Part("the lower end", 90, 122, 26, 11, (_any("lower", "bottom"),)),
        Part("the middle", 90, 80, 22, 28, (_any("middle", "centre", "plate", "pad", "sternum"),)),
    ),
)

_HELMET = Outline(
    words="a helmet, from its left side and from behind",
    width=320,
    height=170,
    paths=(
        "M22 96Q20 24 84 22 146 24 148 84L144 128Q110 142 74 136L66 112 26 118Z",
        "M26 92 92 84 96 112 66 114",
        "M180 96Q180 22 240 22 300 22 300 96L292 134H188Z",
    ),
    captions=((85, 162, "left side"), (240, 162, "behind")),
    parts=(
        Part("the crown", 86, 34, 34, 12, (_any("crown", "top"),)),
        Part("the front", 36, 66, 12, 22, (_any("front", "forehead", "brow"),)),
        Part("the visor", 60, 99, 32, 11, (_any("visor", "screen", "shield"),)),
        Part("the chin bar", 46, 116, 20, 7, (_any("chin", "bar", "jaw"),)),
        Part("the left side", 110, 74, 20, 22, (_any("side", "temple", "ear"), LEFT)),
        Part("the right side", 286, 84, 11, 26, (_any("side", "temple", "ear"), RIGHT)),
        Part("a side", 110, 74, 20, 22, (_any("side", "temple", "ear"),)),
        Part("the back", 240, 84, 30, 26, (BACK,)),
        Part("the strap", 82, 134, 22, 7, (_any("strap", "buckle", "retention"),)),
    ),
)

_BOOT = Outline(
    words="a boot, from its outer side",
    width=190,
    height=190,
    paths=(
        "M52 18H108L112 98Q150 110 168 136V152H50L46 98Z",
        "M46 152H170V166H46Z",
        "M52 44H109M50 72H110",
    ),
    captions=((105, 184, "outer side"),),
    parts=(
        Part("the toe", 148, 138, 16, 14, (_any("toe", "cap", "vamp"),)),
        Part("the sole", 108, 160, 58, 7, (_any("sole", "tread"),)),
        Part("the heel", 58, 134, 11, 17, (_any("heel", "counter"),)),
        Part("the ankle", 80, 104, 17, 14, (_any("ankle", "malleolus"),)),
        Part("the shin", 103, 58, 8, 30, (_any("shin", "front", "tongue"),)),
        Part("the shaft", 80, 58, 20, 28, (_any("shaft", "calf", "leg", "upper"),)),
        Part("the instep", 120, 114, 16, 11, (_any("instep", "lace", "zip", "closure"),)),
        Part("the top edge", 80, 22, 26, 6, (_any("collar", "top"),)),
    ),
)

_HARNESS = Outline(
    words="a harness, from the front",
    width=160,
    height=190,
    paths=(
        "M56 14 72 86 52 120 48 172M104 14 88 86 108 120 112 172",
        "M66 60H94M46 104H114V116H46Z",
        "M44 150Q52 176 66 150ZM94 150Q108 176 116 150Z",
    ),
    captions=((80, 186, "front"),),
    parts=(
        Part("the chest strap", 80, 60, 20, 7, (_any("chest", "sternum"),)),
        Part("the waist belt", 80, 110, 36, 8, (_any("waist", "belt", "hip"),)),
        *(
            Part(f"the {side} shoulder strap", x, 46, 8, 28, (_any("shoulder"), need))
            for side, x, need in (("right", 63, RIGHT), ("left", 97, LEFT))
        ),
        *(
            Part(f"the {side} leg loop", x, 156, 14, 14, (_any("leg", "loop"), need))
            for side, x, need in (("right", 55, RIGHT), ("left", 105, LEFT))
        ),
        Part("the buckle", 80, 110, 10, 9, (_any("buckle", "attachment", "ring"),)),
        Part("a strap", 63, 46, 8, 28, (_any("strap", "webbing"),)),
    ),
)

OUTLINES: dict[str, Outline] = {
    "jacket": _JACKET,
    "trousers": _TROUSERS,
    "gloves": _GLOVES,
    "boots": _BOOT,
    "limb protector": _LIMB,
    "back protector": _BACK_PROTECTOR,
    "chest protector": _CHEST_PROTECTOR,
    "helmet": _HELMET,
    "harness": _HARNESS,
}
