"""Pictures for video and article as SVG, and as PNG without a browser. No Django here."""
