"""The same job as the program's, in numpy and scipy, as a yardstick of speed for benches.

    python3 numpy_reading.py RECORDING.wav

Hears the taps of a recording, measures each and all together, and prints one JSON object with the
seconds of each step (the fastest of three) and the frequencies that were found. Written with whole
arrays wherever numpy allows it. It knows no echo, no flaws and no refusals, which are work that the
program does beside this. The steps and their sources stand in docs/method.md.
"""

import json
import sys
import time

import numpy as np
from scipy import signal
from scipy.io import wavfile

HOP_S, DEAD_S = 0.001, 0.12
BANDS_HZ = [(300, 1000), (1000, 3000), (3000, 8000), (8000, 16000)]
WINDOWS = (1024, 4096, 16384, 65536)


def first_look(x, rate):
    """Strikes (sample numbers) and the spectrum of the recording."""
    hop = int(HOP_S * rate)
    spectrum = np.abs(np.fft.rfft(x)) ** 2
    heard = np.zeros(len(x) // hop, bool)
    for low, high in BANDS_HZ:
        sos = signal.butter(2, (low, min(high, 0.45 * rate)), "bandpass", fs=rate, output="sos")
        power = signal.sosfilt(sos, x) ** 2
        hops = power[: len(heard) * hop].reshape(-1, hop).mean(axis=1) + 1e-16
        sums = np.concatenate([[0.0], np.cumsum(hops)])
        now = (sums[3:] - sums[:-3]) / 3
        floor = np.quantile(hops, 0.1)
        before = np.full(len(hops), floor)
        before[27:] = (sums[25:-3] - sums[:-28])[: len(hops) - 27] / 25
        loud = (now > 8 * before[: len(now)] + 2 * floor) & (now > 16 * floor)
        heard[: len(now)] |= loud
    strikes, last = [], -(10**9)
    for k in np.flatnonzero(heard):
        if k - last > DEAD_S / HOP_S:
            near = x[k * hop : k * hop + 6 * hop]
            strikes.append(k * hop + int(np.argmax(np.abs(near) > 0.3 * np.abs(near).max())))
            last = k
    return strikes, spectrum


def noise_density(quiet, rate):
    """Noise per sample over the frequency: low quantile of a Hann periodogram."""
    seg = int(min(8192, 2 ** np.floor(np.log2(len(quiet)))))
    f, p = signal.welch(quiet, rate, "hann", seg, scaling="density")
    width = max(3, int(375 / (f[1] - f[0])) | 1)
    low = np.lib.stride_tricks.sliding_window_view(np.pad(p, width // 2, "edge"), width)
    return f, np.quantile(low, 0.3, axis=1) * rate / 2 * 1.25


def model(logs, amplitudes, count):
    """Real damped tones."""
    n = np.arange(count)
    out = np.zeros(count)
    for s, c in zip(logs, amplitudes):
        out += (c * np.exp(s * n)).real
    return out


def peaks(taps, noise, rate):
    """First guesses (frequency, decay, strength)."""
    found = []
    for size in WINDOWS:
        used = [t[:size] for t in taps if len(t) >= size // 2]
        if not used:
            continue
        power = 0
        for t in used:
            w = 0.5 * (1 + np.cos(np.pi * np.arange(len(t)) / len(t)))
            p = np.abs(np.fft.rfft(t * w, size)) ** 2
            f = np.arange(len(p)) * rate / size
            power = power + p / (np.sum(w * w) * np.interp(f, *noise))
        power /= len(used)
        limit = 1 + np.log(len(power) / 1e-3) / np.sqrt(len(used))
        lowest = np.lib.stride_tricks.sliding_window_view(np.pad(power, 7, "edge"), 7).min(axis=1)
        left, right = lowest[: len(power)], lowest[8 : 8 + len(power)]
        rise = np.sqrt(power) - np.sqrt(np.maximum(left, right)) > 0.8 * np.sqrt(limit)
        top = (power > np.roll(power, 1)) & (power >= np.roll(power, -1)) & (power > limit) & rise
        top &= (f > 150) & (f < min(16000, 0.45 * rate))
        for k in np.flatnonzero(top):
            near = power[max(1, k - 40) : k + 41]
            if power[k] < 25 / len(used) ** 0.75 * np.median(near):
                continue
            half = size // 2
            tone = np.exp(-2j * np.pi * f[k] / rate * np.arange(half)) * np.hanning(half)
            early = sum(abs(t[:half] @ tone[: len(t[:half])]) ** 2 for t in used)
            late = sum(abs(t[half:size] @ tone[: len(t[half:size])]) ** 2 for t in used)
            decay = 0.5 * np.log(max(early / max(late, 1e-30), 1.0001)) * rate / half
            a, b, c = np.log(power[k - 1 : k + 2])
            freq = f[k] + 0.5 * (a - c) / min(a - 2 * b + c, -1e-12) * rate / size
            found.append((freq, min(max(decay, 0.5), 5 * rate / half), power[k], rate / size))
    found.sort(key=lambda c: -c[2])
    kept = []
    for c in found:
        if all(abs(c[0] - o[0]) > max(c[1] / 3, o[1] / 3, c[3], o[3]) for o in kept):
            kept.append(c)
    return [c[:3] for c in kept]


def esprit(y, order):
    """Poles from the signal subspace of all taps side by side."""
    rows = min(80, max(8, y.shape[1] // 3))
    blocks = np.lib.stride_tricks.sliding_window_view(y, rows, axis=1)
    hankel = blocks.transpose(2, 0, 1).reshape(rows, -1)
    _, vectors = np.linalg.eigh(hankel @ hankel.conj().T)
    u = vectors[:, ::-1][:, : min(order, rows - 1)]
    shift = np.linalg.lstsq(u[:-1], u[1:], rcond=None)[0]
    return np.log(np.linalg.eigvals(shift))


def projected(y, logs):
    """Amplitudes, cost, gradient and curvature of variable projection."""
    m = np.arange(y.shape[1])[:, None]
    basis = np.exp(logs[None, :] * m)
    q, r = np.linalg.qr(basis)
    along = q.conj().T @ y.T
    left = y.T - q @ along
    c = np.linalg.solve(r, along)
    gradient, curvature = 0, 0
    for t in range(y.shape[0]):
        j = m * basis * c[:, t]
        j = j - q @ (q.conj().T @ j)
        gradient = gradient + j.conj().T @ left[:, t]
        curvature = curvature + j.conj().T @ j
    return c, np.sum(np.abs(left) ** 2), gradient, curvature


def descended(y, logs):
    logs = np.clip(logs.real, -1.5, 0.002) + 1j * logs.imag
    c, cost, g, h = projected(y, logs)
    damping = 1e-3
    for _ in range(16):
        step = np.linalg.solve(h + np.diag(damping * np.diag(h).real + 1e-300), g)
        step *= min(1, 0.3 / max(np.abs(step).max(), 1e-30))
        tried = logs + step
        tried = np.clip(tried.real, -1.5, 0.002) + 1j * tried.imag
        new = projected(y, tried)
        if new[1] <= cost:
            gain, logs, (c, cost, g, h) = cost - new[1], tried, new
            damping = max(0.2 * damping, 1e-9)
            if gain < 0.05:
                break
        else:
            damping *= 6
            if damping > 1e6:
                break
    return logs, c, cost


def fit_band(y):
    """As many poles as pay: `y` is in units of the noise."""
    need = 16 + 3 * (len(y) - 1)
    best, last, failures = (np.zeros(0, complex), None, np.sum(np.abs(y) ** 2)), None, 0
    for order in range(1, 9):
        starts = [esprit(y, order)]
        if last is not None:
            m = np.arange(y.shape[1])
            left = y - (np.exp(last[0][None, :] * m[:, None]) @ last[1]).T
            starts.append(np.append(last[0], esprit(left, 1)))
        try:
            fits = [descended(y, s) for s in starts if np.isfinite(s).all()]
        except np.linalg.LinAlgError:
            break
        last = min(fits, key=lambda f: f[2])
        if best[2] - last[2] > need * max(1, len(last[0]) - len(best[0])):
            best, failures = last, 0
        else:
            failures += 1
            if failures == 2:
                break
    return best[0], best[1]


def zoomed(taps, centre, step):
    """One band of all taps, looking forward only."""
    width = 14 * step
    h = signal.firwin(width, 1 / step, window=("kaiser", 7.857))
    mixed = h * np.exp(-1j * centre * np.arange(width))
    count = min(min((len(t) - width) // step + 1 for t in taps), 420)
    if count < 48:
        return None, mixed
    rows = [
        np.lib.stride_tricks.sliding_window_view(t[: (count - 1) * step + width], width)[::step]
        for t in taps
    ]
    turn = np.exp(-1j * centre * step * np.arange(count))
    return np.array([(r @ mixed) * turn for r in rows]), mixed


def polished(taps, logs, amplitudes, rounds=2):
    """All lines on the raw samples: Gauss-Newton; the sums of exponentials in closed form."""
    count, many = len(logs), min(len(t) for t in taps)
    many = int(min(many, 7 / max(1e-7, (-logs.real).min())))
    n = np.arange(many)
    for _ in range(rounds):
        waves = np.exp(logs[:, None] * n)
        fisher, right, parts = 0, 0, []

        def sums(q):
            d = np.where(np.abs(1 - q) < 1e-12, 1e-12, 1 - q)
            e = q**many
            s0 = (1 - e) / d
            s1 = (q - e * many + e * q * (many - 1)) / d**2
            tail = e * many**2 - e * q * (2 * many**2 - 2 * many - 1) + e * q * q * (many - 1) ** 2
            return s0, s1, (q * (1 + q) - tail) / d**3

        plus = sums(np.exp(logs[:, None] + logs[None, :]))
        minus = sums(np.exp(logs[:, None] + logs.conj()[None, :]))
        for t, x in enumerate(taps):
            left = x[:many] - (amplitudes[t][:, None] * waves).real.sum(axis=0)
            d0 = waves.conj() @ left
            d1 = waves.conj() @ (left * n)
            a = np.concatenate([np.ones(count), np.full(count, 1j), amplitudes[t], 1j * amplitudes[t]])
            k = np.tile(np.arange(count), 4)
            p = np.repeat([0, 0, 1, 1], count)
            o = p[:, None] + p[None, :]
            ix = (k[:, None], k[None, :])
            gram_p = np.choose(o, [plus[0][ix], plus[1][ix], plus[2][ix]])
            gram_m = np.choose(o, [minus[0][ix], minus[1][ix], minus[2][ix]])
            m = 0.5 * (a[:, None] * a[None, :] * gram_p + a[:, None] * a.conj()[None, :] * gram_m).real
            g = (a.conj() * np.where(p == 0, d0[k], d1[k])).real
            ll, ln, nn = m[: 2 * count, : 2 * count], m[: 2 * count, 2 * count :], m[2 * count :, 2 * count :]
            both = np.linalg.solve(ll, np.column_stack([ln, g[: 2 * count]]))
            fisher = fisher + nn - ln.T @ both[:, :-1]
            right = right + g[2 * count :] - ln.T @ both[:, -1]
            parts.append(both)
        shared = np.linalg.solve(fisher, right)
        logs = logs + shared[:count] + 1j * shared[count:]
        for t, both in enumerate(parts):
            d = both[:, -1] - both[:, :-1] @ shared
            amplitudes[t] = amplitudes[t] + d[:count] + 1j * d[count:]
    return logs, amplitudes, np.diag(np.linalg.inv(fisher))


def solved(taps, noise, rate):
    """Modes of the taps together."""
    logs, amplitudes = np.zeros(0, complex), [np.zeros(0, complex) for _ in taps]
    for look in range(3):
        told = [model(logs, a, len(t)) for t, a in zip(taps, amplitudes)]
        left = [t - m for t, m in zip(taps, told)]
        for freq, decay, _ in peaks(left, noise, rate)[:24]:
            if len(logs) >= 48:
                break
            step = int(max(4, 2 ** np.floor(np.log2(rate / max(30 * decay, 120)))))
            centre = 2 * np.pi * freq / rate
            y, mixed = zoomed(left, centre, step)
            while y is None and step > 4:
                step //= 2
                y, mixed = zoomed(left, centre, step)
            if y is None:
                continue
            if len(logs):
                known = zoomed(told, centre, step)[0]
                # What a fitted line leaves is no other line.
                if np.sum(np.abs(y) ** 2) < 1e-3 * np.sum(np.abs(known) ** 2):
                    continue
            sigma2 = np.interp(freq, *noise) * np.sum(np.abs(mixed) ** 2)
            sigma2 += 1e-6 * np.mean(np.abs(y) ** 2)
            found, c = fit_band(y / np.sqrt(sigma2))
            for k, s in enumerate(found):
                if abs(s.imag) > 0.68 * np.pi or s.real > -1e-6:
                    continue
                s_raw = s / step + 1j * centre
                if len(logs) and np.abs(logs.imag - s_raw.imag).min() < 0.3 * abs(s_raw.real):
                    continue
                gain = mixed @ np.exp(s_raw * np.arange(len(mixed)))
                logs = np.append(logs, s_raw)
                for t in range(len(taps)):
                    value = 2 * np.sqrt(sigma2) * c[k, t] / gain
                    amplitudes[t] = np.append(amplitudes[t], value)
                    tone = model([s_raw], [value], len(taps[t]))
                    told[t], left[t] = told[t] + tone, left[t] - tone
    if not len(logs):
        return []
    try:
        new, amplitudes, variance = polished(taps, logs, amplitudes)
    except np.linalg.LinAlgError:
        return []
    return sorted(new.imag * rate / 2 / np.pi)


def fastest(job, times=3):
    best = None
    for _ in range(times):
        begin = time.perf_counter()
        out = job()
        took = time.perf_counter() - begin
        best = took if best is None else min(best, took)
    return best, out


def main():
    rate, data = wavfile.read(sys.argv[1])
    x = data.astype(float) / np.iinfo(data.dtype).max
    look_s, (strikes, _) = fastest(lambda: first_look(x, rate))
    guard = int(0.003 * rate)
    ends = strikes[1:] + [len(x)]
    taps = [x[s + guard : e - int(0.01 * rate)] for s, e in zip(strikes, ends)]
    quiet = x[: strikes[0] - int(0.004 * rate)][-int(0.6 * rate) :]
    noise_s, noise = fastest(lambda: noise_density(quiet, rate))
    tap_s, tap = fastest(lambda: solved(taps[:1], noise, rate))
    together_s, together = fastest(lambda: solved(taps, noise, rate), 1)
    print(
        json.dumps(
            {
                "numpy": np.__version__,
                "taps": len(taps),
                "first_look_s": look_s,
                "one_tap_s": noise_s + tap_s,
                "together_s": noise_s + together_s,
                "one_tap_hz": tap,
                "together_hz": together,
            }
        )
    )


if __name__ == "__main__":
    main()
