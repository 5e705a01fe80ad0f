"""The plan's fingerprint as something to show in public: in groups of four, and as a QR code.

The SHA-256 of a registration goes in; lines of text, a code for page, file and terminal come out.
The code holds a plain line of text: whoever films it before the first mile can be asked later.
"""

import io

import segno

GROUP, GROUPS_A_LINE = 4, 8
_INK = "\x1b[38;5;16;48;5;231m"  # black on white, whatever the terminal's own colours
_PLAIN = "\x1b[0m"
_BORDER = 4  # light modules around the code, as ISO/IEC 18004 asks


def in_fours(sha256: str) -> list[str]:
    """The hash in groups of four, two lines of eight groups.

    >>> in_fours("0123456789abcdef" * 4)[0]
    '0123 4567 89ab cdef 0123 4567 89ab cdef'
    """
    groups = [sha256[i : i + GROUP] for i in range(0, len(sha256), GROUP)]
    return [" ".join(groups[i : i + GROUPS_A_LINE]) for i in range(0, len(groups), GROUPS_A_LINE)]


def coded(sha256: str) -> str:
    """What the QR code says.

    >>> coded("ab" * 32)[:24]
    'roadlog plan SHA-256 aba'
    """
    return f"roadlog plan SHA-256 {sha256}"


def _code(sha256: str) -> segno.QRCode:
    return segno.make(coded(sha256), error="m", micro=False)


def code_inline(sha256: str) -> str:
    """The code as an SVG element for a page, sized by its style."""
    return str(
        _code(sha256).svg_inline(
            border=_BORDER, omitsize=True, svgclass=None, lineclass=None, light="#fff"
        )
    )


def code_svg(sha256: str) -> bytes:
    """The code with the hash beneath it, as an SVG file."""
    lines = in_fours(sha256)
    text = "".join(
        f'<text x="50" y="{107 + 6 * i}" font-size="3.9" text-anchor="middle" '
        f'font-family="ui-monospace, Menlo, Consolas, monospace">{line}</text>'
        for i, line in enumerate(lines)
    )
    inner = code_inline(sha256).replace("<svg ", '<svg width="100" height="100" ', 1)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 118">'
        f'<title>{coded(sha256)}</title><rect width="100" height="118" fill="#fff"/>'
        f"{inner}{text}</svg>\n"
    ).encode()


def code_png(sha256: str) -> bytes:
    """The code alone, as a PNG of about 500 pixels."""
    out = io.BytesIO()
    _code(sha256).save(out, kind="png", scale=10, border=_BORDER)
    return out.getvalue()


def code_lines(sha256: str) -> list[str]:
    """The code for a terminal, two rows of modules a line."""
    rows = [[bool(m) for m in row] for row in _code(sha256).matrix_iter(border=_BORDER)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    glyphs = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
    return [
        _INK + "".join(glyphs[pair] for pair in zip(upper, lower, strict=True)) + _PLAIN
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
