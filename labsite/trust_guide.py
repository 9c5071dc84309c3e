"""A page on plain http that leads a tablet to trusting the lab's own authority."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import segno
from django.template.loader import render_to_string

STYLE = """
body { margin: 0 auto; padding: 1rem; max-width: 42rem; font: 1.1rem/1.5 Georgia, serif;
  color: #1c1a17; background: #f5f1e6; }
h1, h2 { line-height: 1.2; }
a { color: #4b2a86; }
.button { display: inline-block; padding: 1rem 1.5rem; border: 2px solid #1c1a17; font-weight: 600; }
code { overflow-wrap: anywhere; }
img { width: 12rem; height: 12rem; background: #fff; }
li { margin-block: .5rem; }
@media (prefers-color-scheme: dark) { body { color: #efe9db; background: #171510; }
  a { color: #c7b3ea; } .button { border-color: #efe9db; } }
"""


@dataclass(frozen=True)
class Guide:
    """What the page tells."""

    lab: str
    bench_url: str
    guide_url: str
    fingerprint: str
    authority_pem: bytes


def pages_of(guide: Guide) -> Mapping[str, tuple[str, bytes]]:
    """The whole small site: path to content type and bytes."""
    text = render_to_string("labsite/trust_guide.html", {"guide": guide})
    certificate = ("application/x-x509-ca-cert", guide.authority_pem)
    return {
        "/": ("text/html; charset=utf-8", text.encode()),
        "/style.css": ("text/css; charset=utf-8", STYLE.encode()),
        "/bench-authority.crt": certificate,
        "/guide.svg": ("image/svg+xml", picture_of(guide.guide_url)),
        "/bench.svg": ("image/svg+xml", picture_of(guide.bench_url)),
    }


def picture_of(url: str) -> bytes:
    """A QR code with its quiet zone."""
    return segno.make(url, error="m").svg_inline(border=4, light="#fff", omitsize=True).encode()


def serve_guide(pages: Mapping[str, tuple[str, bytes]], *, port: int) -> Callable[[], None]:
    """Serve the pages in the background; gives what stops it. Raises OSError on a taken port."""

    class Handler(BaseHTTPRequestHandler):
        """Knows these pages and nothing else."""

        def do_GET(self) -> None:
            found = pages.get(self.path.split("?", 1)[0])
            if found is None:
                self.send_error(404, "There is nothing at this address")
                return
            kind, content = found
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.send_header("Cache-Control", "no-store")
            self.send_header("X-Content-Type-Options", "nosniff")
            if kind == "application/x-x509-ca-cert":
                self.send_header(
                    "Content-Disposition", 'attachment; filename="bench-authority.crt"'
                )
            else:
                self.send_header("Content-Security-Policy", "default-src 'self'")
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - its own name
            """Say nothing: these requests tell nobody anything."""

    server = ThreadingHTTPServer(("", port), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()

    def stop() -> None:
        server.shutdown()
        server.server_close()

    return stop
