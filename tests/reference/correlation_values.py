"""Phase-transform correlation of shifted white noise for the test of `midline-signal` (crates/signal/src/correlation.rs).

numpy 2.1.3, scipy 1.14.1. The noise is that of the test (Knuth's MMIX generator), shifted by whole samples with other noise added. The
correlation is that of Knapp & Carter 1976 over 0.05 to 0.4 cycles per sample, with raised-cosine edges of 15 % of the band. Prints
seed, shift, amplitude of the added noise, the highest value and those 1 and 2 lags later, and the lag of the maximum of scipy's plain
correlation.
"""

import numpy as np
from scipy import fft, signal


def noise(seed, length):
    state, out = seed, np.empty(length)
    for n in range(length):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        out[n] = (state >> 11) / 2**52 - 1.0
    return out


for seed, shift, amplitude in ((1, 37, 0.0), (2, -120, 0.3), (3, 5, 1.0), (4, 263, 0.5)):
    source = noise(seed, 4096)
    first = source[300 - shift : 300 - shift + 3000] + amplitude * noise(100 + seed, 3000)
    second = source[300:3300] + amplitude * noise(200 + seed, 3000)
    length = fft.next_fast_len(6000, real=True)
    cross = fft.rfft(first, length) * np.conj(fft.rfft(second, length))
    frequency = np.arange(length // 2 + 1) / length
    edge = np.minimum(frequency - 0.05, 0.4 - frequency)
    share = np.clip(edge / (0.15 * 0.35), 0.0, 1.0)
    weight = np.where((edge < 0) | (frequency >= 0.4), 0.0, 0.5 - 0.5 * np.cos(np.pi * share))
    values = fft.irfft(weight * cross / np.abs(cross), length) / fft.irfft(weight + 0j, length)[0]
    lags = np.arange(-400, 401)
    phase = values[lags % length]
    highest = np.argmax(phase)
    heights = ", ".join(f"{phase[highest + k]:.10f}" for k in range(3))
    plain = signal.correlate(first, second, method="fft")
    plain_lag = signal.correlation_lags(3000, 3000)[np.argmax(plain)]
    print(f"({seed}, {shift}, {amplitude}, {lags[highest]}, [{heights}], {plain_lag}),")
