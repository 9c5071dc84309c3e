"""Draw the bench's icons anew from their SVG."""

from pathlib import Path
from typing import Any

import resvg_py
from django.core.management.base import BaseCommand

ICONS = Path(__file__).resolve().parents[2] / "static" / "labsite" / "icons"
SIZES = (180, 192, 512)


class Command(BaseCommand):
    """`manage.py draw_icons`: for whoever changes bench.svg."""

    help = "Draw the PNG icons of the bench anew from bench.svg."
    requires_system_checks = ()

    def handle(self, **_: Any) -> None:
        for size in SIZES:
            picture = resvg_py.svg_to_bytes(
                svg_path=str(ICONS / "bench.svg"), width=size, height=size
            )
            (ICONS / f"bench-{size}.png").write_bytes(bytes(picture))
            self.stdout.write(f"bench-{size}.png")
