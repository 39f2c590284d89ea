"""What sounds next: newer before older, a fail before all, and every sample in its place."""

from array import array
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from meterlink.cues.codes import Weight
from meterlink.cues.mix import Loudness, Mix
from meterlink.cues.queue import Queue, Sound
from meterlink.cues.tones import FULL, Tone, samples


def sound(
    code: str, moment: float, weight: Weight = Weight.ASK, tone: Tone | None = None, phrase: str | None = None
) -> Sound:
    return Sound(code, tone, code if phrase is None else phrase, weight, moment)


SOUNDS = st.builds(
    Sound,
    code=st.just("any"),
    tone=st.none() | st.sampled_from(Tone),
    phrase=st.sampled_from(["", "words"]),
    weight=st.sampled_from(Weight),
    moment=st.none() | st.integers(0, 3).map(float),
)
EVENTS = st.lists(SOUNDS | st.sampled_from(["tone ended", "phrase ended", "speak"]), max_size=40)


@dataclass
class Told:
    """Plays any events into a queue, and keeps what began to sound, with how many cues had come by then."""

    queue: Queue = field(default_factory=Queue)
    cues: list[Sound] = field(default_factory=list)
    begun: list[tuple[Sound, int]] = field(default_factory=list)

    def play(self, events: list[Sound | str]) -> None:
        for event in events:
            if isinstance(event, Sound):
                self.cues.append(event)
                self.queue.add(event)
            elif event == "tone ended":
                self.queue.tone_ended()
            elif event == "phrase ended":
                self.queue.phrase_ended()
            else:
                begun = self.queue.next_phrase()
                if begun is not None:
                    self.begun.append((begun, len(self.cues)))


@given(EVENTS)
def test_nothing_old_is_begun_once_something_newer_is_to_be_said(events: list[Sound | str]) -> None:
    told = Told()
    told.play(events)
    order = [told.cues.index(each) for each, _ in told.begun]
    assert order == sorted(set(order))
    for begun, known in told.begun:
        newer = [each for each in told.cues[told.cues.index(begun) + 1 : known] if each.phrase]
        assert all(begun.with_one(each) for each in newer)


@given(EVENTS, SOUNDS, st.sampled_from([Tone.FAIL, Tone.ATTENTION]))
def test_an_alarm_sounds_at_once_whatever_plays(events: list[Sound | str], before: Sound, tone: Tone) -> None:
    told = Told()
    told.play([*events, before])
    alarm = sound("fail", 99.0, Weight.ALARM, tone)
    told.queue.add(alarm)
    assert told.queue.tone is alarm
    assert told.queue.phrase is None
    assert told.queue.next_phrase() is alarm


@given(EVENTS)
def test_the_queue_comes_to_rest(events: list[Sound | str]) -> None:
    told = Told()
    told.play(events)
    for _ in range(len(events) + 2):
        told.queue.tone_ended()
        told.queue.phrase_ended()
        told.queue.next_phrase()
    told.queue.phrase_ended()
    assert told.queue.idle


@given(st.lists(SOUNDS, max_size=30))
def test_a_tone_sounds_at_once_unless_a_weightier_or_the_same_announcement_s_does(cues: list[Sound]) -> None:
    queue = Queue()
    for cue in cues:
        before = queue.tone
        queue.add(cue)
        if cue.tone is None:
            assert queue.tone is before
        elif before is None or (cue.tone is not Tone.LIFT and cue.weight > before.weight):
            assert queue.tone is cue
        elif cue.tone is Tone.LIFT:
            assert queue.tone is before


def test_all_of_one_announcement_is_said_in_order() -> None:
    queue = Queue()
    passed, probe = sound("pass", 1.0, Weight.RESULT), sound("probe", 1.0)
    queue.add(passed)
    assert queue.next_phrase() is passed
    queue.add(probe)
    assert queue.phrase is passed
    assert queue.next_phrase() is None
    queue.phrase_ended()
    assert queue.next_phrase() is probe


def test_a_result_cuts_a_question_short_and_a_question_cuts_nothing() -> None:
    queue = Queue()
    probe, passed, hint = sound("probe", 1.0), sound("pass", 2.0, Weight.RESULT), sound("unsteady", 3.0)
    queue.add(probe)
    queue.next_phrase()
    queue.add(passed)
    assert queue.next_phrase() is passed
    queue.add(hint)
    assert queue.phrase is passed


def test_a_lift_never_drops_what_is_to_be_said_nor_covers_a_verdict() -> None:
    queue = Queue()
    failed = sound("fail", 1.0, Weight.ALARM, Tone.FAIL)
    queue.add(failed)
    queue.add(Sound("lift", Tone.LIFT, "", Weight.ASK, None))
    assert queue.tone is failed
    assert queue.next_phrase() is failed


def test_what_must_be_heard_after_a_fail_waits_for_its_tone_and_only_the_newest() -> None:
    queue = Queue()
    failed = sound("fail", 1.0, Weight.ALARM, Tone.FAIL)
    first, second = (sound("hint", moment, tone=Tone.ATTENTION) for moment in (2.0, 3.0))
    for each in (failed, first, second):
        queue.add(each)
    assert queue.tone is failed
    queue.tone_ended()
    assert queue.tone is second
    queue.tone_ended()
    assert queue.tone is None


# The mix

SPEECH = array("h", [1000] * 5000)


def pulled(mix: Mix, frames: int, at_once: int = 441) -> "array[int]":
    heard = array("h")
    while len(heard) < frames:
        heard.extend(mix.pull(min(at_once, frames - len(heard))))
    return heard


@given(st.integers(1, 2000))
def test_a_tone_comes_out_whole_from_the_very_first_sample(at_once: int) -> None:
    mix = Mix(Loudness())
    mix.queue.add(sound("pass", 1.0, tone=Tone.PASS, phrase=""))
    whole = samples(Tone.PASS)
    heard = pulled(mix, len(whole) + 100, at_once)
    assert heard[: len(whole)] == whole
    assert set(heard[len(whole) :]) == {0}
    assert mix.queue.idle


@given(st.integers(1, 2000))
def test_speech_follows_its_tone_and_comes_out_whole(at_once: int) -> None:
    mix = Mix(Loudness())
    passed = sound("pass", 1.0, Weight.RESULT, Tone.PASS)
    mix.queue.add(passed)
    assert mix.wanted() is passed
    mix.ready(passed, SPEECH)
    tone = len(samples(Tone.PASS))
    heard = pulled(mix, tone + len(SPEECH) + 50, at_once)
    assert heard[:tone] == samples(Tone.PASS)
    assert heard[tone : tone + len(SPEECH)] == SPEECH
    assert set(heard[tone + len(SPEECH) :]) == {0}
    assert mix.queue.idle


def test_speech_is_quieter_under_the_tone_of_a_newer_cue_and_goes_on() -> None:
    mix = Mix(Loudness())
    passed, tick = sound("pass", 1.0, Weight.RESULT), Sound("lift", Tone.LIFT, "", Weight.ASK, None)
    mix.queue.add(passed)
    mix.wanted()
    mix.ready(passed, SPEECH)
    assert set(pulled(mix, 500)) == {1000}
    mix.queue.add(tick)
    tone = samples(Tone.LIFT)
    assert pulled(mix, len(tone)) == array("h", [value + 250 for value in tone])
    assert set(pulled(mix, 500)) == {1000}


def test_speech_that_was_interrupted_while_it_was_made_is_dropped() -> None:
    mix = Mix(Loudness())
    probe, failed = sound("probe", 1.0), sound("fail", 2.0, Weight.ALARM)
    mix.queue.add(probe)
    assert mix.wanted() is probe
    mix.queue.add(failed)
    mix.ready(probe, SPEECH)
    assert set(pulled(mix, 500)) == {0}
    assert mix.wanted() is failed


def test_speech_stops_in_the_middle_when_a_fail_comes() -> None:
    mix = Mix(Loudness())
    probe, failed = sound("probe", 1.0), sound("fail", 2.0, Weight.ALARM, Tone.FAIL)
    mix.queue.add(probe)
    mix.wanted()
    mix.ready(probe, SPEECH)
    pulled(mix, 500)
    mix.queue.add(failed)
    tone = samples(Tone.FAIL)
    assert pulled(mix, len(tone)) == tone


def test_a_phrase_that_cannot_be_said_holds_nothing_up() -> None:
    mix = Mix(Loudness())
    first, second = sound("probe", 1.0), sound("hint", 1.0)
    mix.queue.add(first)
    mix.queue.add(second)
    assert mix.wanted() is first
    mix.ready(first, array("h"))
    assert mix.wanted() is second


def test_volume_scales_and_loud_sums_do_not_wrap() -> None:
    half = Mix(Loudness(volume=0.5))
    half.queue.add(sound("pass", 1.0, tone=Tone.PASS, phrase=""))
    assert pulled(half, 300)[200:] == array("h", [round(value / 2) for value in samples(Tone.PASS)[200:300]])
    loud = Mix(Loudness())
    shout = sound("fail", 1.0, Weight.ALARM)
    loud.queue.add(shout)
    loud.wanted()
    loud.ready(shout, array("h", [FULL] * 1000))
    loud.queue.add(Sound("lift", Tone.LIFT, "", Weight.ASK, None))
    assert max(map(abs, pulled(loud, 1000))) <= FULL


def test_earphones_are_kept_awake_by_noise_that_nobody_hears() -> None:
    still, awake = Mix(Loudness()), Mix(Loudness(awake=True))
    assert set(pulled(still, 2000)) == {0}
    noise = pulled(awake, 2000)
    assert len(set(noise)) > 20
    assert max(map(abs, noise)) < FULL / 1000
