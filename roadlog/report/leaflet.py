"""Leaflet to embed: its style and script out of the installed package `js_lib_leaflet`.

Images become data in the style, references to other files are dropped, and the package's licence
(BSD 2-Clause) goes on top of both.
"""

import base64
import re
from functools import lru_cache
from importlib.metadata import distribution
from importlib.resources import files


@lru_cache(maxsize=1)
def leaflet() -> tuple[str, str]:
    """Return (style, script), each ready to stand between tags of a page."""
    folder = files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    licence = distribution("django-js-lib-leaflet").read_text("LICENSE")
    assert licence is not None, "django-js-lib-leaflet came without its licence"
    notice = f"/* Leaflet, unchanged but for its links to other files.\n\n{licence.strip()}\n*/\n"

    def inlined(match: re.Match[str]) -> str:
        image = base64.b64encode((folder / match.group(1)).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{image})"

    style = (folder / "leaflet.css").read_text(encoding="utf-8")
    style = re.sub(r"\n\s*behavior: url\(#default#VML\);", "", style)
    style = re.sub(r"url\((images/[\w.-]+\.png)\)", inlined, style)
    script = (folder / "leaflet.js").read_text(encoding="utf-8")
    script = re.sub(r"//# sourceMappingURL=\S+\s*$", "", script)
    assert "</style" not in style.lower()
    assert "</script" not in script.lower()
    return notice + style, notice + script
