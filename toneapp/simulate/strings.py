"""How do the coupled strings of one note move, and how does each motion die away?

For each partial the strings of a unison (and their common motion along the soundboard, the last
coordinate) obey ``da/dt = M a`` with ``M = i diag(omega) - diag(sigma) - eta u u^T``: every
string feeds the others through the bridge, whose mobility enters as the complex `eta` (Weinreich
1977). The eigenvalues of M give the two stages of the decay and the beats at once; nothing is
pasted on. A damper adds to the diagonal.

Functions: `partial_table` (frequencies, losses, excitation of all partials of a note),
`eigenmodes` (of one state: key held, damper part on, damper on).

References
----------
.. [1] G. Weinreich, "Coupled piano strings", J. Acoust. Soc. Am. 62, 1474 (1977).
.. [2] H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am.
   36, 203 (1964).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.simulate.instrument import NoteSpec, PianoSpec

__all__ = ["LN_1000", "Eigenmodes", "PartialTable", "eigenmodes", "partial_table"]

LN_1000 = math.log(1000.0)
"""An amplitude exp(-sigma t) has a T60 of ln(1000) / sigma."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialTable:
    """All partials of one note: p partials, d coordinates (strings, then the motion along)."""

    n: FloatArray  # (p,) partial numbers
    hz: FloatArray  # (p,) mean of the uncoupled strings
    omega: FloatArray  # (p, d) rad/s of each coordinate, uncoupled
    sigma: FloatArray  # (p,) amplitude rate of loss in the string, 1/s
    eta: ComplexArray  # (p,) bridge coupling, 1/s
    u: FloatArray  # (d,) how each coordinate moves the bridge
    excitation: FloatArray  # (d,) how the hammer starts each coordinate
    damper: FloatArray  # (p,) amplitude rate added by the damper, 1/s; zero without one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Eigenmodes:
    """Free motions of every partial in one state."""

    rate: ComplexArray  # (p, d) eigenvalues of M, 1/s: -decay + i omega
    right: ComplexArray  # (p, d, d) columns are the motions
    left: ComplexArray  # (p, d, d) rows take the motions out of a state
    out: ComplexArray  # (p, d) bridge motion of each


def partial_table(piano: PianoSpec, note: NoteSpec) -> PartialTable:
    """Frequencies, losses and excitation of the partials of one note.

    Parameters
    ----------
    piano : PianoSpec
        The instrument, for the pull of its soundboard on wound strings.
    note : NoteSpec
        The key.

    Returns
    -------
    PartialTable
        As many partials as the note's `partial_deviation_cents` has.

    Notes
    -----
    The note's T60 figures fix the first partial: strings moving together lose
    ``sigma + eta * sum(u**2)``, strings moving against each other only ``sigma``.
    """
    count = len(note.partial_deviation_cents)
    n = np.arange(1, count + 1, dtype=np.float64)
    law = n * note.f0_hz * np.sqrt(1.0 + note.B * n**2)
    cents = np.array(note.partial_deviation_cents, dtype=np.float64)
    if note.wound:
        # The pull fades as strings get lighter against the board's motion per cycle.
        cents = cents + np.clip(piano.soundboard.pull(law) * (2.0 / (1.0 + n)), -10.0, 10.0)
    hz = law * 2.0 ** (cents / 1200.0)
    string_cents = np.append(note.string_cents, note.horizontal_cents)
    omega = 2.0 * np.pi * hz[:, None] * 2.0 ** (string_cents / 1200.0)
    strings = len(note.string_cents)
    u = np.append(np.ones(strings), note.horizontal_coupling)
    gains = np.append(note.string_gains, note.horizontal_excitation)
    first_sigma = LN_1000 / note.after_t60_s
    first_eta = (LN_1000 / note.prompt_t60_s - first_sigma) / float(np.sum(u**2))
    octaves_ratio = hz / hz[0]
    # Air and inner friction of the wire grow with frequency (common practice, no source).
    sigma = first_sigma * (0.75 * octaves_ratio**0.35 + 0.25) + (hz / 5200.0) ** 2
    eta = first_eta * octaves_ratio**note.decay_slope * np.array(note.partial_rate_scatter)
    sign = np.sin(2.0 * np.pi * np.log(hz / 40.0))  # stiffness and mass of the board take turns
    damper = np.zeros(count)
    if note.damped_t60_s is not None:
        # Felt takes more from short waves, and little where it lies on a node.
        node = np.sin(np.pi * n * note.damper_ratio) ** 2 / np.sin(np.pi * note.damper_ratio) ** 2
        bite = np.minimum(0.35 + 0.65 * node, 3.0) * n**0.15
        damper = LN_1000 / note.damped_t60_s * bite * note.damper_strength
    return PartialTable(
        n=n,
        hz=hz,
        omega=omega,
        sigma=sigma,
        eta=eta * (1.0 + 1j * note.reactive_ratio * sign),
        u=u,
        excitation=gains,
        damper=damper,
    )


def eigenmodes(
    table: PartialTable, *, damper_share: float = 0.0, extra_rate: float = 0.0
) -> Eigenmodes:
    """Free motions of every partial with the damper on by a share of its full weight.

    Parameters
    ----------
    table : PartialTable
        The partials.
    damper_share : float
        0 with the key held, 1 with the damper down.
    extra_rate : float
        Further loss of amplitude in 1/s on every coordinate (a hammer meeting moving strings).

    Returns
    -------
    Eigenmodes
        Motions; the order within a partial is that of the eigenvalue routine.
    """
    size = table.u.size
    centre = table.omega.mean(axis=1)
    loss = table.sigma + damper_share * table.damper + extra_rate
    diagonal = 1j * (table.omega - centre[:, None]) - loss[:, None]
    matrix = -table.eta[:, None, None] * np.outer(table.u, table.u)[None, :, :]
    matrix = matrix.astype(np.complex128)
    index = np.arange(size)
    matrix[:, index, index] += diagonal
    values, right = np.linalg.eig(matrix)
    left = np.linalg.inv(right)
    return Eigenmodes(
        rate=values + 1j * centre[:, None],
        right=right,
        left=left,
        out=np.einsum("d,pdk->pk", table.u, right),
    )
