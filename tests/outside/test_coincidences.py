"""Which strings without dampers answer which keys? Worked out by hand, and then heard.

Equal temperament (ISO 16:1975 for A4) puts key k at ``440 * 2**((k - 49) / 12)`` Hz, k = 1 for A0.
Partials of a flexible string are whole multiples; of a stiff one
``n f0 sqrt(1 + B n**2)`` (H. Fletcher, J. Acoust. Soc. Am. 36, 203, 1964). That free strings ring
where their partials meet those of the struck note is what H.-M. Lehtonen, H. Penttinen,
J. Rauhala, V. Valimaki observed with the sustain pedal (J. Acoust. Soc. Am. 122, 1787, 2007).
"""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from toneapp.measure.echo import OwnResidue, name_lines
from toneapp.measure.echo_strings import StringTable, build_strings
from toneapp.measure.ringing import RingLine, find_lines, peak_level
from toneapp.pitch import midi_to_hz, parse_note
from toneapp.results import Cause, PartialResult, StrikeResult

LAST_DAMPER = 89  # F6; the keys from F#6 on are free
FREE = range(90, 109)
RATE = 48000


@pytest.fixture(scope="module")
def tones() -> ModuleType:
    name = "plain_tones"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "independent" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


# Keys counted from 1 at A0. Cents: partial minus first partial of the nearest free key, from
# 1200 log2(n) against whole semitones, 0.1 cent.
MEETINGS = {
    "C4": {6: (71, 2.0), 8: (76, 0.0), 9: (78, 3.9), 10: (80, -13.7), 12: (83, 2.0),
           16: (88, 0.0), 7: (74, -31.2), 11: (82, -48.7), 13: (84, 40.5),
           14: (86, -31.2)},
    "C3": {12: (71, 2.0), 16: (76, 0.0)},
    "C5": {3: (71, 2.0), 4: (76, 0.0), 5: (80, -13.7), 6: (83, 2.0), 8: (88, 0.0)},
    "F5": {3: (76, 2.0), 4: (81, 0.0), 5: (85, -13.7), 6: (88, 2.0)},
}  # fmt: skip


def _table(notes: dict[int, tuple[float, float]]) -> StringTable:
    """Strings with exact first partials and B, as a run that measured each would give them."""
    strikes = []
    for place, (midi, (f1_hz, b)) in enumerate(sorted(notes.items())):
        f0 = f1_hz / math.sqrt(1.0 + b)
        count = min(16, int(9000.0 / f1_hz))
        strikes.append(
            StrikeResult(
                midi=midi, note="", onset_s=float(place), end_s=place + 1.0, f0_hz=f0,
                f1_hz=f1_hz, B=b, series_residual_cents=0.5,
                partials=tuple(
                    PartialResult(n=n, hz=n * f0 * math.sqrt(1.0 + b * n * n), level_db=-20.0)
                    for n in range(1, max(count, 1) + 1)
                ),
            )
        )  # fmt: skip
    table = build_strings(strikes)
    assert table is not None
    return table


def _equal_tempered(b: float = 0.0) -> dict[int, tuple[float, float]]:
    return {midi: (440.0 * 2.0 ** ((midi - 69) / 12.0), b) for midi in range(40, 109)}


def _named(hz: float, *, struck: int, table: StringTable) -> tuple[tuple[int | None, Cause], ...]:
    line = RingLine(hz=hz, hz_se=0.02, level_db=-35.0, t60_s=3.0, t60_s_se=0.1, above_db=30.0)
    found = name_lines(
        (line,),
        struck_midi=struck,
        strings=table,
        last_damper_midi=LAST_DAMPER,
        leaky=(),
        own=OwnResidue(usual_t60_s=0.3, is_leaky=False),
        room_t60_s=0.4,
    )
    return tuple((echo.midi, echo.cause) for echo in found)


@pytest.mark.parametrize(
    ("note", "n", "key", "cents"),
    [(note, n, *meeting) for note, row in MEETINGS.items() for n, meeting in row.items()],
)
def test_cents_between_partial_and_free_string(note: str, n: int, key: int, cents: float) -> None:
    midi = key + 20
    partial_hz = n * midi_to_hz(parse_note(note))
    free_hz = midi_to_hz(midi)
    assert midi in FREE
    assert 1200.0 * math.log2(partial_hz / free_hz) == pytest.approx(cents, abs=0.06)
    # The table of strings says the same distance, and no other free key is nearer.
    table = _table(_equal_tempered())
    assert table.distance_cents(partial_hz, midi) == pytest.approx(abs(cents), abs=0.06)
    firsts = {free: abs(1200.0 * math.log2(partial_hz / midi_to_hz(free))) for free in FREE}
    assert min(firsts, key=lambda free: firsts[free]) == midi


@pytest.mark.parametrize(("n", "cents"), [(4, 4.5), (6, 12.5), (8, 18.9), (12, 44.2)])
def test_stiffness_moves_the_partial_off_equal_temperament(n: int, cents: float) -> None:
    # B = 3.5e-4, first partial of C4 on pitch, target strings in equal temperament.
    b, f1_hz = 3.5e-4, 261.6256
    partial_hz = n * f1_hz * math.sqrt((1.0 + b * n * n) / (1.0 + b))
    nearest = round(12.0 * math.log2(partial_hz / 440.0) + 69.0)
    assert 1200.0 * math.log2(partial_hz / midi_to_hz(nearest)) == pytest.approx(cents, abs=0.1)


@pytest.mark.parametrize("key", [71, 76, 80, 83, 88])
def test_a_line_is_named_for_the_string_as_measured_and_not_as_tempered(key: int) -> None:
    # The treble is stretched by 20 cents at the top; a tempered grid would miss by that.
    strings = {
        midi: (hz * 2.0 ** (20.0 * max(midi - 84, 0) / 24.0 / 1200.0), b)
        for midi, (hz, b) in _equal_tempered(3.5e-4).items()
    }
    table = _table(strings)
    midi = key + 20
    assert _named(strings[midi][0], struck=60, table=table) == ((midi, Cause.UNDAMPED),)


def test_the_struck_notes_own_partial_is_told_from_the_string_beside_it() -> None:
    # With B = 3.5e-4 the sixth partial of C4 lies 12.5 cents above G6: far enough to tell.
    strings = _equal_tempered(3.5e-4)
    strings |= {midi: (strings[midi][0], 0.0) for midi in FREE}
    table = _table(strings)
    f0 = strings[60][0] / math.sqrt(1.0 + 3.5e-4)
    own_hz = 6 * f0 * math.sqrt(1.0 + 3.5e-4 * 36)
    assert _named(own_hz, struck=60, table=table) == ()
    assert _named(strings[91][0], struck=60, table=table) == ((91, Cause.UNDAMPED),)


def _played(
    tones: ModuleType, *, echo: bool, free_t60_s: float = 3.454
) -> tuple[np.ndarray, float]:
    """C4 damped at 1 s in a quiet room; G6 rings 35 dB below from then on, or not at all."""
    rng = np.random.default_rng(8)
    note = tones.string_tone(
        f1_hz=261.6256, b=3.5e-4, rate_hz=RATE, length_s=3.0, t60_s=8.0, rng=rng
    )
    t = np.arange(note.size) / RATE
    note = 0.2 * note * 10.0 ** (-3.0 * np.clip(t - 1.0, 0.0, None) / 0.2)
    reference = peak_level(note, sample_rate_hz=RATE, onset_s=0.0)
    if echo:
        amplitude = math.sqrt(2.0 * reference) * 10.0 ** (-35.0 / 20.0)
        tail = amplitude * 10.0 ** (-3.0 * (np.clip(t - 1.0, 0.0, None) - 0.1) / free_t60_s)
        note = note + tail * np.clip((t - 0.5) / 0.1, 0.0, 1.0) * np.sin(2 * np.pi * 1567.98 * t)
    return note + 1e-5 * rng.standard_normal(note.size), 1e-10 / (RATE / 2)


@pytest.mark.parametrize("echo", [True, False])
def test_the_string_that_rings_is_heard_and_silence_is_silence(
    tones: ModuleType, echo: bool
) -> None:
    sound, density = _played(tones, echo=echo)
    lines = find_lines(
        sound,
        sample_rate_hz=RATE,
        onset_s=0.0,
        release_s=1.0,
        end_s=3.0,
        noise_density=lambda hz: np.full(hz.shape, density),
    )
    strings = _equal_tempered(3.5e-4) | {91: (1567.98, 0.0)}
    found = name_lines(
        lines,
        struck_midi=60,
        strings=_table(strings),
        last_damper_midi=LAST_DAMPER,
        leaky=(),
        own=OwnResidue(usual_t60_s=0.2, is_leaky=False),
        room_t60_s=0.2,
    )
    if not echo:
        assert found == ()
        return
    (ringing,) = found
    assert (ringing.midi, ringing.partial, ringing.cause) == (91, 1, Cause.UNDAMPED)
    assert ringing.level_db == pytest.approx(-35.0, abs=1.0)
    assert ringing.t60_s == pytest.approx(3.454, rel=0.05)  # tau = 0.5 s: 6.908 tau


def test_free_strings_answer_where_partials_meet() -> None:
    """Lehtonen et al. 2007, on a simulated instrument: the more nearly, the stronger."""
    from toneapp.simulate import Blow, Room, make_piano, render

    piano = make_piano(
        np.random.default_rng(3), sympathy=1.0, last_damper_midi=LAST_DAMPER,
        tuning_scatter_cents=0.3,
    )  # fmt: skip
    rng = np.random.default_rng(4)
    blows = [
        Blow(midi=midi, onset_s=0.5 + 2.0 * place, hold_s=0.5, velocity_m_per_s=3.0)
        for place, midi in enumerate((60, 64, 67, 72, 76, 77, 79, 81, *FREE))
    ]
    truth = render(piano, blows, Room(t60_s=0.2), rng=rng, sample_rate_hz=32000).truth
    firsts = {midi: note.f1_hz for midi, note in truth.notes.items() if midi > LAST_DAMPER}
    near, far = [], []
    for strike in truth.strikes[:8]:
        partials = [partial.hz for partial in strike.partials]
        levels = {
            ring.midi: ring.level_db
            for ring in strike.ringing
            if ring.partial == 1 and ring.cause is Cause.UNDAMPED
        }
        for midi, hz in firsts.items():
            off = min(abs(1200.0 * math.log2(hz / other)) for other in partials)
            level = max(levels.get(midi, -84.0), -84.0)
            (near if off < 12.0 else far).append(level)
    assert len(near) > 12
    assert len(far) > 60
    assert np.median(near) > np.median(far) + 15.0
