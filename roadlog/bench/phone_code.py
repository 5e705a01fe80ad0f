"""An address as a QR code (ISO/IEC 18004), as a picture that a page can hold."""

import segno


def code_of(address: str) -> str:
    """The code as a data address of an SVG picture: dark on white, whatever the page's colours."""
    made: str = segno.make(address, error="m", micro=False).svg_data_uri(
        scale=8, border=4, dark="#000", light="#fff"
    )
    return made
