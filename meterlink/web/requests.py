"""What a page sends, read with a bound."""

from starlette.requests import Request


class TooLargeError(Exception):
    """More than a page has reason to send."""


async def body_of(request: Request, most: int) -> bytes:
    """Read what a page sends, and no more than that.

    Args:
        request: the request.
        most: bytes.

    Raises:
        TooLargeError: it sends more.
    """
    data = bytearray()
    async for chunk in request.stream():
        data += chunk
        if len(data) > most:
            raise TooLargeError
    return bytes(data)
