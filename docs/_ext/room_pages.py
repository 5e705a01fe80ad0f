"""Writes a reference page for each room of the package: its modules with what they document.

The pages go to docs/reference/, which git ignores. Commands and the demonstration have nothing to
import, so they have no page.
"""

import pkgutil
from pathlib import Path
from typing import Any

import roadlog

WITHOUT = {"commands", "demo"}


def write(app: Any) -> None:
    """Write the pages that changed, remove those of rooms that are gone."""
    folder = Path(app.srcdir) / "reference"
    folder.mkdir(exist_ok=True)
    names = [m.name for m in pkgutil.walk_packages(roadlog.__path__, "roadlog.")]
    rooms = {n.split(".")[1]: [] for n in names if n.count(".") > 1}
    for name in names:
        if (room := name.split(".")[1]) in rooms:
            rooms[room].append(name)
    pages = {f"{room}.rst": _page(room, rooms[room]) for room in rooms if room not in WITHOUT}
    for file in folder.glob("*.rst"):
        if file.name not in pages:
            file.unlink()
    for name, text in pages.items():
        file = folder / name
        if not file.exists() or file.read_text(encoding="utf-8") != text:
            file.write_text(text, encoding="utf-8")


def _page(room: str, modules: list[str]) -> str:
    lines = [room, "=" * len(room), ""]
    for module in modules:
        short = module.removeprefix(f"roadlog.{room}").lstrip(".")
        if short:
            lines += [short, "-" * len(short), ""]
        lines += [f".. automodule:: {module}", "   :members:", "   :ignore-module-all:", ""]
    return "\n".join(lines)


def setup(app: Any) -> dict[str, bool]:
    """Write before the builder looks for pages."""
    app.connect("builder-inited", write)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
