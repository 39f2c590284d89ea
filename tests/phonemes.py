"""How the speech engine would pronounce a text: its phonemes (IPA), by its own interface, beside the product's."""

import ctypes
import re

import espeakng_loader

from meterlink.cues.espeak import Engine
from meterlink.cues.voice import USUAL_RATE, respelt

_OURS = Engine()
_ENGINE = ctypes.CDLL(espeakng_loader.get_library_path())
_ENGINE.espeak_TextToPhonemes.restype = ctypes.c_char_p
_ENGINE.espeak_TextToPhonemes.argtypes = [ctypes.POINTER(ctypes.c_void_p), ctypes.c_int, ctypes.c_int]
_UTF8, _IPA = 1, 2


def phonemes(text: str, language: str) -> str:
    """Return the phonemes of a text in a language, without stress, length and pauses."""
    _OURS.speak(language, USUAL_RATE, "")  # what the product sets is what is asked here
    written = ctypes.create_string_buffer(respelt(text, language).encode())
    rest = ctypes.c_void_p(ctypes.addressof(written))
    said = []
    while rest.value:
        said.append(_ENGINE.espeak_TextToPhonemes(ctypes.byref(rest), _UTF8, _IPA).decode())
    return re.sub(r"[ˈˌ \-ː\n]|\(\w+\)", "", "".join(said))
