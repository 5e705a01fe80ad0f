"""What a plain form sent: its fields as text, none of them without end."""

from urllib.parse import parse_qsl

from starlette.requests import Request

from roadlog.errors import InputError

MOST_BYTES = 1_000_000
MOST_FIELDS = 300


async def typed(request: Request) -> dict[str, str]:
    """The fields of a form that was sent; of two with one name, the last.

    Raises
    ------
    InputError
        If it is too large, or no form's text.
    """
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise InputError("the form is too large: write less")
    try:
        pairs = parse_qsl(
            body.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS,
            errors="strict",
        )  # fmt: skip
    except ValueError as e:
        raise InputError("the form can't be read: load the page anew and send it again") from e
    return dict(pairs)
