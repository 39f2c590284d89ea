"""What is spoken: complete in every language, numbers as the trade says them, points so that they are understood."""

import ast
import difflib
import string
from collections.abc import Iterator
from dataclasses import fields
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.fault import Kin
from meterlink.cues.announced import sound_of
from meterlink.cues.languages import LANGUAGES
from meterlink.cues.numbers import shown, spoken_number
from meterlink.cues.samples import sample_phrases
from meterlink.cues.spoken import Speaker
from meterlink.cues.tags import as_spoken, limits
from meterlink.cues.vocabulary import Brevity
from meterlink.cues.words.model import Said, Words
from meterlink.errors import UsageError
from meterlink.instrument import Calibration
from meterlink.outcome import VerdictOutcome
from meterlink.phrases import FUNCTION_NAMES, LINK_CUES, REFUSED_FLAGS, announce
from meterlink.procedure.model import MeasuredStep, Procedure, Step
from meterlink.reading import Function
from phonemes import phonemes

ROOT = Path(__file__).parent.parent / "meterlink"
OTHERS = [language for language in LANGUAGES if language != "en"]


@cache
def codes_of_the_engine() -> set[str]:
    """Every code that a cue can have: literals in the engine's source, and the tables of its phrases."""
    codes = {code for code, _ in (*REFUSED_FLAGS.values(), *LINK_CUES.values())} | {"wrong-unit"}
    files = [path for path in ROOT.rglob("*.py") if not {"record", "cli", "cues"} & {*path.parts}]
    for node in [node for path in files for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))]:
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        first = {"Cue": 0, "_tell_once": 1, "tell": 0}.get(name)
        if first is None or not isinstance(node.args[first], ast.Constant | ast.IfExp):
            continue
        texts = (each.value for each in ast.walk(node.args[first]) if isinstance(each, ast.Constant))
        codes |= {text for text in texts if isinstance(text, str)}
    return codes | {outcome.value for outcome in VerdictOutcome} | {"look", "probe"}


def test_the_codes_are_found_in_the_engine() -> None:
    assert {"pass", "probe", "meter", "found", "find", "read", "confirm-dead", "link-lost", "unsteady"} <= (
        codes_of_the_engine()
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_cue_of_the_engine_has_words_and_all_languages_have_the_same(language: str) -> None:
    words = LANGUAGES[language]
    assert codes_of_the_engine() - {"meter", "not-applicable"} <= {*words.cues, *words.verdicts}
    for field in fields(Words):
        mine, english = getattr(words, field.name), getattr(LANGUAGES["en"], field.name)
        if isinstance(english, dict) and field.name != "letters":
            assert mine.keys() == english.keys(), field.name
    assert words.faults.keys() == set(Kin)
    assert words.functions.keys() == {function for function in Function if function.judged}
    assert {"valid", "overdue", "missing", "unknown"} == words.meters.keys()
    assert len(Calibration) == 4


def sentences(words: Words) -> Iterator[tuple[str, str]]:
    """Every sentence and name of a language, with where it stands."""
    for field in fields(words):
        value = getattr(words, field.name)
        for key, each in value.items() if isinstance(value, dict) else [("", value)]:
            texts = (each.full, each.short, each.expert) if isinstance(each, Said) else (each,)
            for at, text in enumerate(texts):
                if isinstance(text, str):
                    yield f"{field.name}.{key}.{at}", text


@pytest.mark.parametrize("language", OTHERS)
def test_no_sentence_is_empty_or_english(language: str) -> None:
    english = dict(sentences(LANGUAGES["en"]))
    for place, text in sentences(LANGUAGES[language]):
        assert text or place == "cues.find.2", place
        letters = text.translate(str.maketrans("", "", string.punctuation))
        bare = " ".join(word for word in letters.split() if word not in ("point", "value", "ask", "dial", "count"))
        if len(bare) > 6:
            assert text != english.get(place), place


@pytest.mark.parametrize("language", LANGUAGES)
def test_templates_take_the_same_values_in_every_language(language: str) -> None:
    english = dict(sentences(LANGUAGES["en"]))
    for place, text in sentences(LANGUAGES[language]):
        if place in english:
            names = {name for _, name, _, _ in string.Formatter().parse(text) if name}
            assert names == {name for _, name, _, _ in string.Formatter().parse(english[place]) if name}, place


# How technicians say it: common practice, no source.
@pytest.mark.parametrize(
    ("value", "unit", "en", "de", "fr", "es"),
    [
        (
            *("24.10", "V"),
            *("twenty-four point one volts", "vierundzwanzig Komma eins Volt"),
            *("vingt-quatre virgule un volts", "veinticuatro coma un voltios"),
        ),
        (
            *("25.06", "V"),
            *("twenty-five point zero six volts", "fünfundzwanzig Komma null sechs Volt"),
            *("vingt-cinq virgule zéro six volts", "veinticinco coma cero seis voltios"),
        ),
        ("1", "V", "one volt", "ein Volt", "un volt", "un voltio"),
        ("0.00", "V", "zero volts", "null Volt", "zéro volt", "cero voltios"),
        (
            *("1.5", "V"),
            *("one point five volts", "eins Komma fünf Volt", "un virgule cinq volt", "uno coma cinco voltios"),
        ),
        (
            *("-24.1", "V"),
            *("minus twenty-four point one volts", "minus vierundzwanzig Komma eins Volt"),
            *("moins vingt-quatre virgule un volts", "menos veinticuatro coma un voltios"),
        ),
        ("21", "V", "twenty-one volts", "einundzwanzig Volt", "vingt et un volts", "veintiún voltios"),
        (
            *("0.0241", "V"),
            *("twenty-four point one millivolts", "vierundzwanzig Komma eins Millivolt"),
            *("vingt-quatre virgule un millivolts", "veinticuatro coma un milivoltios"),
        ),
        (
            *("4700", "Ohm"),
            *("four point seven kilohms", "vier Komma sieben Kiloohm"),
            *("quatre virgule sept kilo-ohms", "cuatro coma siete kiloohmios"),
        ),
        (
            *("1000000", "Ohm"),
            *("one megohm", "ein Megaohm", "un mégohm", "un megaohmio"),
        ),
        (
            "0.9",
            "Ohm",
            "zero point nine ohms",
            "null Komma neun Ohm",
            "zéro virgule neuf ohm",
            "cero coma nueve ohmios",
        ),
        (
            *("0.0123", "A"),
            *("twelve point three milliamps", "zwölf Komma drei Milliampere"),
            *("douze virgule trois milliampères", "doce coma tres miliamperios"),
        ),
        ("21", "s", "twenty-one seconds", "einundzwanzig Sekunden", "vingt et une secondes", "veintiún segundos"),
        ("50", "Hz", "fifty hertz", "fünfzig Hertz", "cinquante hertz", "cincuenta hercios"),
        (
            *("230", "V"),
            *("two hundred and thirty volts", "zweihundertdreißig Volt"),
            *("deux cent trente volts", "doscientos treinta voltios"),
        ),
    ],
)
def test_values_are_spoken_as_the_trade_does(*, value: str, unit: str, en: str, de: str, fr: str, es: str) -> None:
    said = {language: shown(Decimal(value), unit, words) for language, words in LANGUAGES.items()}
    assert said == {"en": en, "de": de, "fr": fr, "es": es}


def test_ol_is_open_in_ohms_and_overload_in_volts() -> None:
    assert [shown(None, "Ohm", words) for words in LANGUAGES.values()] == [
        *("open", "offen", "circuit ouvert", "circuito abierto"),
    ]
    assert [shown(None, "V", words) for words in LANGUAGES.values()] == [
        *("overload", "Überlauf", "dépassement", "fuera de rango"),
    ]


@pytest.mark.parametrize("language", LANGUAGES)
def test_whole_numbers_sound_like_the_same_digits_read_by_the_speech_engine(language: str) -> None:
    """The engine reads digits by rules of its own: a second opinion on the words, in sound."""
    by_engine = {number: phonemes(str(number), language) for number in range(100)}
    for number in range(100):
        words = phonemes(spoken_number(str(number), LANGUAGES[language]), language)
        likeness = {
            other: difflib.SequenceMatcher(None, words, said, autojunk=False).ratio()
            for other, said in by_engine.items()
        }
        assert max(likeness, key=lambda other: likeness[other]) == number
        assert likeness[number] > 0.7


@pytest.mark.parametrize("language", LANGUAGES)
@given(value=st.decimals(-99999, 99999, places=3))
def test_any_value_is_spoken_without_a_digit(language: str, value: Decimal) -> None:
    for unit in LANGUAGES[language].units:
        said = shown(value, unit if unit in ("V", "A", "Ohm", "Hz", "s", "Cel", "F", "%") else "V", LANGUAGES[language])
        assert said == said.strip() != ""
        assert not any(sign.isdigit() or sign == "." for sign in said)


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        ("X1:4", "X one, four"),
        ("B1:12", "B one, twelve"),
        ("G1:+", "G one, plus"),
        ("K1:A1", "K one, ay one"),  # as the letter is called; alone it would be read as the article
        ("W1.3", "W one, three"),
        ("B3, B4", "B three, B four"),
        ("X3:1-X3:2", "X three, one, X three, two"),
        ("PE", "P E"),
        ("the brake", "the brake"),
    ],
)
def test_terminals_are_spoken_letter_by_letter_and_number_by_number(tag: str, said: str) -> None:
    assert as_spoken(tag, LANGUAGES["en"]) == said


def test_what_an_author_wrote_is_spoken_as_written_with_its_terminals_and_quantities() -> None:
    written = "Push Q1 in, then read 22..29 V at X1:4 (not 2.5 kOhm). It's item 3."
    said = "Push Q one in, then read twenty-two to twenty-nine volts at X one, four (not two point five kilohms)."
    assert as_spoken(written, LANGUAGES["en"]) == f"{said} It's item 3."


def test_limits_are_spoken_where_they_stand_by_themselves() -> None:
    german = LANGUAGES["de"]
    assert limits("23.5..29.0 V", german) == "dreiundzwanzig Komma fünf bis neunundzwanzig Volt"
    assert limits("<= 2 Ohm", german) == "höchstens zwei Ohm"
    assert limits(">= 1 MOhm", german) == "mindestens ein Megaohm"
    assert limits("0.5..2 kOhm", LANGUAGES["en"]) == "five hundred ohms to two kilohms"
    assert limits("within 0.3 V of bank", german) is None
    assert limits("what is this", german) is None


def procedure(**more: object) -> Procedure:
    step: dict[str, Any] = {"id": "a", "kind": "reading", "point": "X1:4", "reference": "earth bar"}
    step |= {"measure": "dc-voltage", "limits": "23.5..29.0 V", "remedy": "Check F1 first.", **more}
    look = {"id": "q", "kind": "look", "point": "Q1", "ask": "Is Q1 in?", "remedy": "Push Q1 in."}
    head = {"procedure": "p", "title": "P", "revision": "1", "cautions": ["Take care."]}
    return Procedure.model_validate({**head, "steps": [step, look]})


def cue(code: str, text: str, step: str | None = "a") -> dict[str, object]:
    return {"event": "cue", "code": code, "text": text, "step": step, "t": 1.0}


def verdict(outcome: str, value: str) -> dict[str, object]:
    return {"event": "verdict", "step": "a", "outcome": outcome, "value": value, "unit": "V", "limits": "23.5..29.0 V"}


def test_brevity_of_a_question_and_its_result() -> None:
    heard = []
    for brevity in Brevity:
        speaker = Speaker(procedure(), "en", brevity)
        probe = speaker.phrase(cue("probe", "Touch X1:4. Black lead on earth bar. Dial on DC volts."))
        again = speaker.phrase(cue("probe", "Touch X1:4."))
        speaker.phrase(verdict("pass", "24.10"))
        passed = speaker.phrase(cue("pass", "X1:4: 24.10 V. Pass."))
        speaker.phrase(verdict("fail", "3.2"))
        heard.append((probe, again, passed, speaker.phrase(cue("fail", "X1:4: 3.2 V. Fail. Below."))))
    assert heard == [
        (
            "Touch X one, four. Black lead on the earth bar. Dial on DC volts.",
            "Touch X one, four.",
            "X one, four: twenty-four point one volts. Pass.",
            "X one, four: three point two volts. Fail. It should be twenty-three point five to twenty-nine volts. "
            "Check F one first.",
        ),
        (
            "X one, four. Black on the earth bar. DC volts.",
            "X one, four.",
            "twenty-four point one volts. Pass.",
            "X one, four: three point two volts. Fail. Check F one first.",
        ),
        (
            "X one, four. Black on the earth bar. DC volts.",
            "X one, four.",
            "twenty-four point one volts. Pass.",
            "X one, four: three point two volts. Fail.",
        ),
    ]


def test_the_author_s_own_words_win() -> None:
    speaker = Speaker(procedure(say="Touch X1:4. Mind the coil."), "de")
    assert speaker.phrase(cue("probe", "Touch X1:4. Mind the coil.")) == "Touch X eins, vier. Mind the coil."
    assert speaker.phrase(cue("look", "Q1: Is Q1 in?", "q")) == "Q eins: Is Q eins in?"
    assert speaker.phrase(cue("fail", "Q1: Fail. Seen and refused.", "q")) == "Q eins. Fehler. Push Q eins in."


FOUND: dict[str, object] = {
    "event": "finding",
    "faults": [{"fault": "open:B1", "probability": 1.0}],
    "sure": True,
    "answer": "open:B1",
    "next": None,
    "proof": [{"point": "B1:11", "value": "24.97", "unit": "V"}, {"point": "B1:12", "value": "0.0", "unit": "V"}],
}


def test_a_search_is_spoken_from_what_it_found() -> None:
    speaker = Speaker(procedure(), "fr")
    speaker.phrase(FOUND)
    assert speaker.phrase(cue("found", "Found: open:B1. ...", "find-3")) == (
        "Trouvé : B un coupé. Preuve : vingt-quatre virgule neuf sept volts à B un, onze et zéro volt à B un, douze. "
        "Consignez avant de réparer."
    )
    assert speaker.phrase(cue("look", "B1: Is open:B1 mended?", "find-3")) == (
        "B un : B un coupé. Est-ce réparé, et l'alimentation remise ?"
    )
    speaker.phrase(FOUND | {"sure": False, "answer": None, "next": {"measure": "resistance"}})
    assert speaker.phrase(cue("look", "supply: Is the supply isolated?", "find-4")).endswith("tension vérifiée ?")
    assert speaker.phrase(cue("read", "B1:12: OL.", "find-5")) == "B un, douze : circuit ouvert."


def test_the_black_lead_s_place_at_a_source_is_spoken_in_the_language() -> None:
    speaker = Speaker(procedure(), "es")
    assert speaker.phrase(cue("probe", "Touch G1:+. Black lead on G1's own pole. Dial on DC volts.", "find-1")) == (
        "Toque G uno, más. Punta negra en el polo negativo del propio G uno. Selector en tensión continua."
    )


def test_a_code_without_words_is_spoken_as_told_and_called_for() -> None:
    sound = sound_of(cue("brand-new", "Look at X1:4."), Speaker(procedure(), "de"))
    assert sound is not None
    assert (sound.phrase, sound.tone) == ("Look at X eins, vier.", "attention")


def test_an_unknown_language_is_a_clear_error() -> None:
    with pytest.raises(UsageError, match="expected one of en, de, fr, es"):
        Speaker(procedure(), "xx")


POINTS = st.from_regex(r"[A-Z][0-9]{1,2}(:[A-Z]?[0-9]{1,2}|:[+-]|\.[0-9])?", fullmatch=True)
PLACES = st.one_of(POINTS, st.sampled_from(["earth bar", "PE", "G1's own pole", "shield of W1.3"]))
FUNCTIONS = st.lists(st.sampled_from([each for each in Function if each.judged]), min_size=1, max_size=3, unique=True)


@given(point=POINTS, place=PLACES, functions=FUNCTIONS)
def test_what_the_engine_asks_for_is_what_is_spoken(point: str, place: str, functions: list[Function]) -> None:
    """The point, the lead and the dial are read back from the words on the screen: nothing may get lost or changed."""
    asked = procedure(point=point, reference=place, measure=functions)
    step: Step = asked.steps[0]
    assert isinstance(step, MeasuredStep)
    for words in LANGUAGES.values():
        speaker = Speaker(asked, words.language)
        said = speaker.phrase(cue("probe", announce(step, None)))
        assert as_spoken(point, words) in said
        assert speaker.vocabulary.place(place) in said
        assert all(words.functions[function] in said for function in functions)
        assert not any(FUNCTION_NAMES[each] in said for each in functions) or words.language == "en"


@given(
    code=st.sampled_from(sorted({*LANGUAGES["en"].cues, *LANGUAGES["en"].verdicts, "meter", "new"})),
    text=st.text(max_size=60) | POINTS.map(lambda point: f"{point}: 24.1 V."),
    step=st.none() | st.sampled_from(["a", "q", "find-1"]),
    language=st.sampled_from(sorted(LANGUAGES)),
    brevity=st.sampled_from(Brevity),
)
def test_no_text_of_a_cue_breaks_the_speaker(
    code: str, text: str, step: str | None, language: str, brevity: Brevity
) -> None:
    speaker = Speaker(procedure(), language, brevity)
    assert isinstance(speaker.phrase(cue(code, text, step)), str)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_sample_of_every_cue_is_complete(language: str) -> None:
    phrases = dict(sample_phrases(language))
    words = LANGUAGES[language]
    assert phrases.keys() == {*words.verdicts, *words.cues, "meter", "end"}
    for code, phrase in phrases.items():
        assert "{" not in phrase, code
        assert not any(sign.isdigit() for sign in phrase), (code, phrase)
    if language != "en":
        english = dict(sample_phrases("en"))
        assert [code for code, phrase in phrases.items() if phrase == english[code]] == []


def test_the_end_counts_what_there_is() -> None:
    end = {"event": "end", "complete": False, "passed": 0, "failed": 2, "unclear": 0, "not_judged": ["a"], "t": 2.0}
    assert (
        Speaker(procedure(), "en", Brevity.SHORT).phrase(end)
        == "Not finished. zero passed, two failed, one not judged."
    )
    still_in = Speaker(procedure(), "de").phrase(end | {"jumpers_open": ["X3:1-X3:2"]})
    assert "Eine Behelfsbrücke ist noch drin." in still_in
    assert still_in.endswith("keine Freigabe des Aufzugs.")


@pytest.mark.parametrize(
    ("code", "text", "said"),
    [
        ("probe", "Known source first: Touch G1:+.", "Zuerst die bekannte Quelle. G eins, plus antasten."),
        ("probe", "Known source once more: Touch G1:+.", "Noch einmal die bekannte Quelle. G eins, plus antasten."),
        (
            "probe",
            "Now the point that is to be dead: Touch X1:1. Dial on DC volts.",
            "Jetzt die Stelle, die spannungsfrei sein soll. X eins, eins antasten. Drehschalter auf Gleichspannung.",
        ),
        (
            "probe",
            "Safety edge. Touch S1:12. Hold the probes on.",
            "Safety edge. S eins, zwölf antasten. Prüfspitzen anliegen lassen.",
        ),
        (
            "probe",
            "Touch S1:12. With both probes firmly on, confirm.",
            "S eins, zwölf antasten. Wenn beide Prüfspitzen fest anliegen, bestätigen.",
        ),
        ("probe", "Touch X1:1, X1:2 or X1:3.", "X eins, eins, X eins, zwei oder X eins, drei antasten."),
        (
            "operate-ready",
            "Closed. Work X1:4 3 times, a second each way.",
            "X eins, vier drei Mal betätigen, je eine Sekunde.",
        ),
        (
            "operate-ready",
            "Open. Work X1:4 once, a second each way.",
            "X eins, vier ein Mal betätigen, je eine Sekunde.",
        ),
        ("click", "2 of 3.", "zwei von drei."),
        ("go-to", "On to Q1:2.", "Weiter mit Q eins, zwei."),
        ("jumper-removed", "Jumper X3:1-X3:2 is out.", "Brücke X drei, eins, X drei, zwei ist draußen."),
        (
            "jumper-unknown",
            "A jumper at X3:1 is entered already.",
            "An X drei, eins ist schon eine Brücke eingetragen.",
        ),
        (
            "jumper-unknown",
            "No jumper is entered at X3:1; entered are: none.",
            "An X drei, eins ist keine Brücke eingetragen.",
        ),
        ("jumper-open", "X3:1: Is this jumper taken out?", "Ist die Brücke X drei, eins entfernt?"),
        (
            "jumper-open",
            "Jumper X3:1 is still in: the job is not complete.",
            "Brücke X drei, eins ist noch drin. Der Auftrag ist nicht fertig.",
        ),
        (
            "wrong-function",
            "The meter is on resistance; set the dial to DC volts. Lift the probes first: that range can harm it.",
            "Erst die Prüfspitzen abheben. Falsche Schalterstellung. Drehschalter auf Gleichspannung.",
        ),
    ],
)
def test_what_a_cue_s_text_tells_is_kept(code: str, text: str, said: str) -> None:
    assert Speaker(procedure(), "de").phrase(cue(code, text)) == said


def test_points_in_an_author_s_sentences_are_not_taken_for_the_step_s() -> None:
    speaker = Speaker(procedure(remedy="Clean it, then touch B1."), "en", Brevity.SHORT)
    speaker.phrase(verdict("fail", "3.2"))
    said = speaker.phrase(cue("fail", "X1:4: 3.2 V. Fail. Clean it, then touch B1."))
    assert said == "X one, four: three point two volts. Fail. Clean it, then touch B one."
    assert speaker.phrase(cue("look", "Q1: Did a jumper at B2 touch B1?", "q")).startswith("Q one: ")


def test_a_group_s_title_is_said_before_its_first_question() -> None:
    speaker = Speaker(procedure(), "fr")
    assert speaker.phrase(cue("look", "Supply. Q1: Is Q1 in?", "q")) == "Supply. Q un : Is Q un in?"
