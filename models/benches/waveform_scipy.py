#!/usr/bin/env python3
"""The chain of waveform.rs in numpy and scipy, for the ratio of times. One thread; plans and windows made outside.

Run: OMP_NUM_THREADS=1 python3 waveform_scipy.py      (numpy, scipy)
"""
import time

import numpy as np
from scipy import fft, signal, stats
from scipy.ndimage import median_filter

N, RATE, SHAFT = 48_000, 12_000.0, 29.5
ORDERS = (0.3983, 3.5848, 5.4152, 4.7135)


def bands(bins, levels=3):
    for level in range(levels + 1):
        parts, width = 2**level, bins // 2**level
        yield from ((i * width, width) for i in range(parts))
        if level >= 2:
            yield from ((i * width + width // 2, width) for i in range(parts - 1))


HANN = {n: signal.get_window("hann", n) for n in {N, 4096} | {2 * w for _, w in bands(N // 2)}}


def floor(power, reach):
    return median_filter(power, 2 * reach + 1, mode="nearest") / np.log(2)


def whole_chain(x):
    shape = (x.mean(), np.sqrt((x * x).mean()), stats.skew(x), stats.kurtosis(x, fisher=False), np.ptp(x))
    spectrum = fft.rfft(x - x.mean())
    hz = np.arange(len(spectrum)) * RATE / N
    inside = (hz >= 10) & (hz <= 1000)
    overall = []
    for power in (1, 2):
        y = np.where(inside, spectrum / np.maximum(2j * np.pi * hz, 1e-9) ** power, 0)
        y = fft.irfft(y)
        overall.append((np.sqrt((y * y).mean()), abs(y).max(), np.ptp(y)))
    density = signal.welch(x, RATE, "hann", 4096)
    amplitude = 2 * abs(fft.rfft(x * HANN[N])) / HANN[N].sum()
    amplitude_floor = floor(amplitude[: int(1000 / RATE * N)] ** 2, 53)
    power = abs(spectrum) ** 2
    level = np.sqrt(floor(power, 200))
    white = spectrum / level
    white *= np.minimum(1, np.sqrt(6.2146) / np.maximum(abs(white), 1e-12))
    best = {}
    for first, width in bands(N // 2):
        z = fft.ifft(np.concatenate([white[first : first + width], np.zeros(width)]))
        e = abs(z) ** 2
        e /= e.mean()
        kurtosis = (e * e).mean() - 2
        lines = abs(4 / len(e) * fft.rfft((e - 1) * HANN[len(e)])) ** 2
        lines = lines[: int(29 * SHAFT / RATE * N)]
        ratio = lines / floor(lines, 48)
        for order in ORDERS:
            slips = 1 + np.arange(-0.05, 0.05, 0.5 * RATE / N / (5 * order * SHAFT))
            at = np.round(np.outer(slips, np.arange(1, 6)) * order * SHAFT * N / RATE).astype(int)
            score = ratio[np.minimum(at, len(ratio) - 1)].sum(1).max()
            best[order] = max(best.get(order, 0), score)
    return shape, overall, density, amplitude_floor, kurtosis, best


def main():
    rng = np.random.default_rng(1)
    n = np.arange(N)
    since = (n % 113) / RATE
    x = rng.uniform(-0.5, 0.5, N) + 2 * np.exp(-since / 0.0008) * np.sin(2 * np.pi * 3000 * since)
    times = []
    for _ in range(12):
        start = time.perf_counter()
        whole_chain(x)
        times.append(time.perf_counter() - start)
    print(f"median {1e3 * sorted(times)[len(times) // 2]:.1f} ms, fastest {1e3 * min(times):.1f} ms")


main()
