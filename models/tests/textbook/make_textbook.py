#!/usr/bin/env python3
"""Makes textbook.json: three-axis acceleration waveforms built from what textbooks say of each fault.

Independent of the Rust code: lines are written down as velocities (mm/s peak) at orders of shaft speed, turned into
accelerations with a = 2 pi f v, summed with random phases and noise, and stored as 16-bit integers (base64,
little-endian) with a scale in g. Common descriptions, from memory: imbalance 1x radial; bent shaft 1x axial;
angular misalignment 1x and 2x axial; parallel misalignment 2x radial; looseness many harmonics and half orders;
blade pass = blades x speed; gear mesh = teeth x speed with sidebands at shaft speed; belt = harmonics of belt speed;
electrical = twice the mains; oil whirl 0.40 to 0.48x; cavitation = broadband noise; resonance = 1x in one direction.

Run: python3 make_textbook.py > textbook.json      (Python 3.9 or later, nothing else needed)
"""
import base64
import json
import math
import random
import struct

RATE, COUNT, SHAFT = 1024, 2048, 24.0
FACTS = {"blades": 6, "gear_teeth": 17, "belt_hz": 10.3, "mains_hz": 50.0}


def waveform(rng, lines, noise_g, shaft):
    out = [rng.gauss(0.0, noise_g) for _ in range(COUNT)]
    for order, mm_s in lines:
        hz, phase = order * shaft, rng.uniform(0, 2 * math.pi)
        g = 2 * math.pi * hz * mm_s / 9806.65
        for n in range(COUNT):
            out[n] += g * math.sin(2 * math.pi * hz * n / RATE + phase)
    return out


def pack(samples):
    scale = max(abs(x) for x in samples) / 32000
    raw = struct.pack("<%dh" % len(samples), *(round(x / scale) for x in samples))
    return {"scale_g": scale, "i16": base64.b64encode(raw).decode()}


def capture(rng, horizontal, vertical, axial, noise_g=0.002, shaft=SHAFT):
    axes = {"horizontal": horizontal, "vertical": vertical, "axial": axial}
    return {"shaft_hz": shaft, **{k: pack(waveform(rng, v, noise_g, shaft)) for k, v in axes.items()}}


QUIET = ([(1, 0.8), (2, 0.2)], [(1, 0.7), (2, 0.15)], [(1, 0.2), (2, 0.1)])

CASES = {
    "healthy": ("nothing", QUIET, {}),
    "imbalance": ("imbalance", ([(1, 9.0), (2, 0.5)], [(1, 7.0), (2, 0.4)], [(1, 1.0)]), {}),
    "bent_shaft": ("bent_shaft", ([(1, 5.0), (2, 1.0)], [(1, 4.5), (2, 0.8)], [(1, 7.0), (2, 1.5)]), {}),
    "parallel": (
        "parallel_misalignment",
        ([(1, 4.0), (2, 6.0), (3, 1.0)], [(1, 3.0), (2, 5.0), (3, 0.8)], [(1, 0.8), (2, 0.8)]),
        {},
    ),
    "angular": (
        "angular_misalignment",
        ([(1, 3.0), (2, 1.5)], [(1, 2.5), (2, 1.2)], [(1, 6.0), (2, 5.0), (3, 2.0)]),
        {},
    ),
    "looseness": (
        "looseness",
        (
            [(0.5, 1.0), (1.5, 0.8)] + [(k, 5.0 / k**0.4) for k in range(1, 11)],
            [(0.5, 1.5), (1.5, 1.0)] + [(k, 6.0 / k**0.4) for k in range(1, 11)],
            [(k, 1.0) for k in range(1, 6)],
        ),
        {},
    ),
    "blade_pass": ("blade_pass", ([(1, 1.0), (6, 6.0)], [(1, 0.9), (6, 5.0)], [(1, 0.3), (6, 3.0)]), {"blades": 6}),
    "gear_mesh": (
        "gear_mesh",
        (
            [(1, 1.2), (15, 0.5), (16, 1.6), (17, 4.0), (18, 1.4), (19, 0.6)],
            [(1, 1.0), (16, 1.2), (17, 3.0), (18, 1.0)],
            [(1, 0.4), (17, 2.0)],
        ),
        {"gear_teeth": 17},
    ),
    "belt": (
        "belt",
        (
            [(1, 1.0)] + [(k * 10.3 / SHAFT, v) for k, v in ((1, 1.5), (2, 5.0), (3, 1.5), (4, 1.0))],
            [(1, 0.9)] + [(k * 10.3 / SHAFT, v) for k, v in ((1, 1.0), (2, 3.0), (3, 1.0))],
            [(1, 0.3)],
        ),
        # 10.3 Hz is 0.429 of shaft speed: with sleeve bearings it would look like oil whirl.
        {"belt_hz": 10.3, "sleeve_bearings": False},
    ),
    "electrical": (
        "electrical",
        ([(1, 0.9), (100 / SHAFT, 5.0)], [(1, 0.8), (100 / SHAFT, 4.0)], [(1, 0.2)]),
        {"mains_hz": 50.0},
    ),
    "oil_whirl": (
        "oil_whirl",
        ([(0.45, 6.0), (1, 2.0)], [(0.45, 5.0), (1, 1.8)], [(1, 0.3)]),
        {"sleeve_bearings": True},
    ),
    "resonance": ("resonance", ([(1, 9.0), (2, 0.3)], [(1, 0.9), (2, 0.2)], [(1, 0.6)]), {}),
    "unknown": ("unknown_change", ([(1, 0.8), (7.37, 6.0)], [(1, 0.7), (7.37, 5.0)], [(1, 0.2)]), {}),
}


def main():
    rng = random.Random(20240611)
    cases = []
    for name, (answer, axes, facts) in CASES.items():
        cases.append({"name": name, "answer": answer, "facts": facts, "now": capture(rng, *axes)})
    reference = capture(rng, *QUIET)
    cases.append(
        {
            "name": "cavitation against a reference",
            "answer": "cavitation_or_turbulence",
            "facts": {"moves_fluid": True, "blades": 6},
            "now": capture(rng, *QUIET, noise_g=0.02),
            "reference": reference,
        }
    )
    cases.append(
        {
            "name": "the same as the reference",
            "answer": "nothing",
            "facts": FACTS,
            "now": capture(rng, *QUIET),
            "reference": reference,
        }
    )
    cases.append(
        {
            "name": "imbalance that grew, still in the good zone",
            "answer": "imbalance",
            "facts": FACTS,
            "now": capture(rng, [(1, 2.6), (2, 0.2)], [(1, 2.2), (2, 0.15)], [(1, 0.4), (2, 0.1)]),
            "reference": reference,
        }
    )
    doc = {"rate_hz": RATE, "made_by": "make_textbook.py, simulated", "cases": cases}
    print(json.dumps(doc, indent=1))


main()
