"""The tones as WAV files, for a browser to play."""

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from meterlink.cues.tones import Tone, samples
from meterlink.cues.wav import wav


def tone_route() -> Route:
    """Where the tones lie."""
    return Route("/tones/{name}.wav", _tone)


async def _tone(request: Request) -> Response:
    try:
        tone = Tone(request.path_params["name"])
    except ValueError:
        return PlainTextResponse("There is no such tone.", 404)
    return Response(wav(samples(tone)), media_type="audio/wav", headers={"Cache-Control": "max-age=86400"})
