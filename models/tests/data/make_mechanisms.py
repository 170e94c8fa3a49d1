#!/usr/bin/env python3
"""Makes mechanisms.json: three-axis accelerations that come from mechanisms in time, not from lines written down.

A second opinion on the rules of likely_fault, apart from textbook/make_textbook.py: that one places the lines that the
rules look for; this one starts from what moves (a heavy spot, a clipped swing, a coupling that bends twice a turn, teeth
whose load swings with the shaft, a whirling oil film, bursts of vapour) on a two-spring support, integrates or evaluates
it in time, and lets the lines fall where they may. Speed, stiffness, size and noise are drawn anew for each variant. It is
not blind: its author had read the rules, and made the knock of a loose foot stronger after looking at its spectrum (before
the rules saw any of it). From textbook descriptions, from memory. Simulated.

Run: python3 make_mechanisms.py > mechanisms.json      (numpy)
"""
import base64
import json

import numpy as np

RATE, SECS = 2048, 2.0
N = int(RATE * SECS)
T = np.arange(N) / RATE
VARIANTS = 3
KEEP = 2  # every second sample is stored, after a low-pass


def low_pass(x, hz):
    spectrum = np.fft.rfft(x)
    spectrum[np.fft.rfftfreq(len(x), 1 / RATE) > hz] = 0
    return np.fft.irfft(spectrum, len(x))


def response(force, natural_hz, damping):
    """Acceleration of a mass on a spring under a force per mass, by the exact frequency response."""
    f = np.fft.rfftfreq(len(force), 1 / RATE)
    s = 2j * np.pi * f
    w = 2 * np.pi * natural_hz
    return np.fft.irfft(np.fft.rfft(force) * s**2 / (s**2 + 2 * damping * w * s + w**2), len(force))


def derivative(x):
    return np.fft.irfft(np.fft.rfft(x) * 2j * np.pi * np.fft.rfftfreq(len(x), 1 / RATE), len(x))


def along(m, mm_s, order):
    """The part of it along the shaft."""
    return m.swing(mm_s, order, 0.9, m.a_hz)


class Machine:
    """A shaft on a support whose two radial stiffnesses differ by less than the factor that makes a resonance."""

    def __init__(self, rng):
        self.rng = rng
        self.hz = rng.uniform(20.0, 29.0)
        # Stiff: first natural frequencies well above speed.
        self.h_hz, self.v_hz, self.a_hz = self.hz * rng.uniform(2.6, 3.2), self.hz * rng.uniform(2.8, 3.6), self.hz * 4.5
        self.damping = rng.uniform(0.03, 0.08)
        self.angle = 2 * np.pi * self.hz * T + rng.uniform(0, 2 * np.pi)
        self.noise = 0.02 * 9.81 * rng.uniform(0.5, 1.5)

    def out(self, h, v, a, extra_noise=0.0):
        r = self.rng
        axes = [response(h, self.h_hz, self.damping), response(v, self.v_hz, self.damping), response(a, self.a_hz, self.damping)]
        noise = self.noise + extra_noise
        return [x + noise * r.standard_normal(N) for x in axes]

    def swing(self, mm_s, order=1.0, phase=0.0, natural=None):
        """A force that gives about this velocity (peak) on a support of this natural frequency."""
        f = order * self.hz
        natural = natural or self.v_hz
        gain = abs(f**2 / (natural**2 - f**2 + 2j * self.damping * natural * f))
        return 2 * np.pi * f * mm_s * 1e-3 / gain * np.sin(order * self.angle + phase)

    def rest(self):
        """What every machine shows: a little of everything."""
        s = self.swing
        return s(0.6, natural=self.h_hz), s(0.5, phase=1.5, natural=self.v_hz), s(0.2, natural=self.a_hz)


def healthy(m):
    return m.out(*m.rest())


def imbalance(m):
    # The same rotating force on both springs, 90 degrees apart; a little of it along the shaft.
    size = m.rng.uniform(6, 12)
    force = m.swing(size, natural=m.v_hz)
    turned = m.swing(size, phase=np.pi / 2, natural=m.v_hz)
    return m.out(force, turned, m.swing(0.15 * size, natural=m.a_hz))


def bent_shaft(m):
    # Both ends are rocked along the shaft once a turn; across it the bow is a weight off centre.
    size = m.rng.uniform(6, 10)
    return m.out(
        m.swing(0.7 * size, natural=m.h_hz),
        m.swing(0.65 * size, phase=np.pi / 2, natural=m.v_hz),
        m.swing(1.1 * size, phase=0.4, natural=m.a_hz),
    )


def parallel_misalignment(m):
    # The coupling pushes across twice a turn; its stiffness is not even, which bends the push a little.
    size = m.rng.uniform(6, 10)
    push = np.sin(2 * m.angle) + 0.12 * np.sin(2 * m.angle) ** 2 * np.sin(m.angle)
    scale = np.abs(m.swing(size, 2.0, natural=m.v_hz)).max()
    across = scale * push
    return m.out(
        across + m.swing(0.5 * size, natural=m.h_hz), 0.9 * across + m.swing(0.45 * size, phase=1.3), m.swing(0.1 * size, natural=m.a_hz)
    )


def angular_misalignment(m):
    # The faces open and close: along the shaft once and twice a turn.
    size = m.rng.uniform(5, 9)
    along = m.swing(size, natural=m.a_hz) + m.swing(0.8 * size, 2.0, 0.7, m.a_hz) + m.swing(0.25 * size, 3.0, 0.2, m.a_hz)
    return m.out(m.swing(0.45 * size, natural=m.h_hz), m.swing(0.4 * size, phase=1.4), along)


def looseness(m):
    # The foot lifts: the swing is cut off at the bottom, harder every second turn.
    size = m.rng.uniform(5, 9)
    swing = np.sin(m.angle)
    every_second = 0.25 * np.sin(0.5 * m.angle)
    cut = np.maximum(swing + every_second, -0.2)
    # The landing is a knock once a turn.
    knock = (np.exp(-(((m.angle / (2 * np.pi)) % 1.0) / 0.02)) * (1 + every_second)) * 3.0
    # The housing moves as the foot does: this is its velocity, mm/s.
    velocity = size * (cut + knock)
    moved = derivative(velocity - velocity.mean()) * 1e-3
    h, v, a = m.out(*(0 * T,) * 3)
    return [h + 0.8 * moved, v + moved, a + 0.15 * moved]


def blade_pass(m):
    # A blade passes the tongue; the pulse is not quite even, flow makes its strength waver.
    size = m.rng.uniform(5, 9)
    waver = 1 + 0.15 * low_pass(m.rng.standard_normal(N), 3.0) * 5
    m.h_hz = m.v_hz = m.hz * 14.0
    pulse = np.abs(m.swing(size, 6.0, natural=m.v_hz)).max() * np.sin(6 * m.angle) * waver
    h, v, a = m.rest()
    return m.out(pulse + h, 0.85 * pulse + v, along(m, 0.3 * size, 6.0) + a)


def gear_mesh(m):
    # 17 teeth; the load on them swings with the shaft.
    size = m.rng.uniform(4, 7)
    depth = m.rng.uniform(0.5, 0.9)
    m.h_hz = m.v_hz = m.hz * 40.0
    mesh = np.sin(17 * m.angle) * (1 + depth * np.sin(m.angle + 0.5) + 0.25 * np.sin(2 * m.angle))
    force = np.abs(m.swing(size, 17.0, natural=m.v_hz)).max() * mesh
    h, v, a = m.rest()
    return m.out(force + h, 0.8 * force + v, along(m, 0.4 * size, 17.0) + a)


def electrical(m):
    # Magnetic pull at exactly twice 50 Hz, whatever the speed.
    size = m.rng.uniform(4, 8)
    m.h_hz = m.v_hz = 400.0
    pull = (2 * np.pi * 100.0 * size * 1e-3) * (400.0 / 100.0) ** 2 * np.sin(2 * np.pi * 100.0 * T + 0.3)
    h, v, a = m.rest()
    return m.out(pull + h, 0.9 * pull + v, a)


def oil_whirl(m):
    # The film runs at a little less than half speed, and not perfectly evenly.
    ratio = m.rng.uniform(0.42, 0.47)
    size = m.rng.uniform(5, 9)
    wander = 0.05 * np.cumsum(low_pass(m.rng.standard_normal(N), 2.0)) / RATE * 2 * np.pi
    f = ratio * m.hz
    gain = f**2 / (m.v_hz**2 - f**2)
    whirl = 2 * np.pi * f * size * 1e-3 / gain * np.sin(ratio * m.angle + wander)
    turned = 2 * np.pi * f * size * 1e-3 / gain * np.cos(ratio * m.angle + wander)
    h, v, a = m.rest()
    return m.out(whirl + 3 * h, turned + 3 * v, a)


def resonance(m):
    # An ordinary residual weight, and one spring tuned to the speed.
    m.h_hz, m.damping = m.hz * m.rng.uniform(0.99, 1.01), m.rng.uniform(0.02, 0.035)
    m.v_hz = m.hz * 3.2
    force = (2 * np.pi * m.hz) ** 2 * m.rng.uniform(1.2e-6, 2e-6) * np.sin(m.angle)
    turned = (2 * np.pi * m.hz) ** 2 * 2e-6 * np.cos(m.angle)
    # What is heard is the motion of the mass: acceleration at resonance is force times the magnification.
    return m.out(force * 3.0, turned * 3.0, m.swing(0.2, natural=m.a_hz))


def cavitation(m):
    # Collapsing bubbles: bursts of noise at random times; the lines of the shaft stay as they were.
    bursts = m.rng.standard_normal(N) * (1 + 4 * (m.rng.random(N) < 0.02))
    out = m.out(*m.rest())
    return [x + 0.25 * 9.81 * m.rng.uniform(0.8, 1.2) * bursts for x in out]


KINDS = {
    "nothing": (healthy, {}),
    "imbalance": (imbalance, {}),
    "bent_shaft": (bent_shaft, {}),
    "parallel_misalignment": (parallel_misalignment, {}),
    "angular_misalignment": (angular_misalignment, {}),
    "looseness": (looseness, {}),
    "blade_pass": (blade_pass, {"blades": 6}),
    "gear_mesh": (gear_mesh, {"gear_teeth": 17}),
    "electrical": (electrical, {"mains_hz": 50.0}),
    "oil_whirl": (oil_whirl, {"sleeve_bearings": True}),
    "resonance": (resonance, {}),
    "cavitation_or_turbulence": (cavitation, {"moves_fluid": True}),
}


def pack(acceleration):
    g = low_pass(acceleration, 480.0)[::KEEP] / 9.80665
    scale = float(np.abs(g).max()) / 32000
    raw = np.round(g / scale).astype("<i2").tobytes()
    return {"scale_g": float("%.9g" % scale), "i16": base64.b64encode(raw).decode()}


def capture(machine, axes):
    return {"shaft_hz": machine.hz, **dict(zip(("horizontal", "vertical", "axial"), map(pack, axes)))}


def main():
    rng = np.random.default_rng(20310303)
    cases = []
    for name, (make, facts) in KINDS.items():
        for variant in range(VARIANTS):
            machine = Machine(rng)
            case = {"name": f"{name} {variant + 1}", "answer": name, "facts": facts}
            if name == "cavitation_or_turbulence":
                before = Machine(rng)
                before.hz = machine.hz
                before.__dict__.update({k: machine.__dict__[k] for k in ("h_hz", "v_hz", "a_hz", "angle", "noise")})
                case["reference"] = capture(before, healthy(before))
            case["now"] = capture(machine, make(machine))
            cases.append(case)
    print(json.dumps({"rate_hz": RATE / KEEP, "made_by": "make_mechanisms.py, simulated", "cases": cases}, indent=0))


main()
