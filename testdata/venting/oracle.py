#!/usr/bin/env python3
"""Independent reference for the tests of flow and venting.

Everything is written anew from the equations, with scipy's solver (LSODA at
1e-8 or better) and numpy's roots in place of the project's own. Without an
argument it writes oracle.json beside itself; with --check it computes again
and compares with that file (relative 1e-5), and says so; --check-quick leaves
out the cells in slices, which take a minute.
"""
import json
import os
import sys

import numpy as np
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

R = 8.31446261815324
FILE = os.path.join(os.path.dirname(os.path.abspath(__file__)), "oracle.json")


def flux(gamma, M, p0, pb, T):
    """Mass flux of a converging nozzle, kg/(m2 s)."""
    r = pb / p0
    crit = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    if r >= 1:
        return 0.0
    r = max(r, crit)
    mach = np.sqrt(2 / (gamma - 1) * (r ** (-(gamma - 1) / gamma) - 1))
    Tt = T / (1 + (gamma - 1) / 2 * mach**2)
    rho = r * p0 * M / (R * Tt)
    return rho * mach * np.sqrt(gamma * R / M * Tt)


def wall_blowdown():
    out = []
    for hA in (0.0, 0.5, 5.0):
        gamma, M, V, A, T0, p0, pb, p1 = 1.4, 0.0280134, 1e-4, np.pi / 4 * 1e-6, 293.15, 3e6, 101325.0, 3e5
        cv = R / (gamma - 1)

        def f(t, y):
            n, T = y
            q = A * flux(gamma, M, n * R * T / V, pb, T) / M
            return [-q, (-q * R * T + hA * (T0 - T)) / (n * cv)]

        def hit(t, y):
            return y[0] * R * y[1] / V - p1

        hit.terminal = True
        s = solve_ivp(f, (0, 60), [p0 * V / (R * T0), T0], method="LSODA", rtol=1e-10, atol=1e-14, events=hit)
        out.append({"wall_W_K": hA, "seconds": s.t[-1], "kelvin": s.y[1, -1]})
    return out


def triangle(t, amount, duration):
    x = t / duration
    if x < 0 or x > 1:
        return 0.0
    return 4 * amount / duration * min(x, 1 - x)


def cell(bottom, n_slices, thermal=None):
    """One cell: openings with times, peak with time; gamma and M as the project's gas table gives them."""
    gamma, M, V, T, pa = 1.20585935778, 0.02578537044, 5e-6, 1000.0, 101325.0
    amount, duration = 0.18, 0.6
    vents = [[0, 19.5e5, 14e-6 * 0.8 * 0.5, False]]
    if bottom:
        vents.append([n_slices - 1, 22e5, 20e-6 * 0.7, False])
    L, core, fric, roll, perm, zone = 0.062, 0.0025, 0.05, 300e-6, 5e-12, 0.015
    head = 0.5e-6 if n_slices > 1 else 0.0
    vol = np.full(n_slices, (V - head) / n_slices)
    vol[0] += head
    share = np.full(n_slices, 1 / n_slices)
    if n_slices > 1:
        edges = np.linspace(0, 1, n_slices + 1)
        share = np.array([quad(lambda z: 1.0, max(a, 1 - zone / L), b)[0] if b > 1 - zone / L else 0 for a, b in zip(edges, edges[1:])])
        share /= zone / L
    dx = L / n_slices
    mu = 1.716e-5 * (T / 273.15) ** 1.5 * (273.15 + 110.4) / (T + 110.4)
    lam, turb, area = 32 * mu * dx / core**2, fric * dx / (2 * core), np.pi / 4 * core**2
    Rs = R / M
    choke = flux(gamma, M, 1.0, 0.0, T)
    cv = R / (gamma - 1)
    opened = {}

    def temp(y):
        return y[-1] if thermal is not None else T

    def press(y):
        return y[:n_slices] * R * temp(y) / vol

    def f(t, y):
        p, Tg = press(y), temp(y)
        gen = triangle(t, amount, duration)
        d = gen * share
        out = 0.0
        for k, (i, _, a, is_open) in enumerate(vents):
            if is_open:
                q = a * flux(gamma, M, p[i], pa, Tg) / M
                d[i] -= q
                out += q
        for i in range(n_slices - 1):
            drive = abs(p[i] ** 2 - p[i + 1] ** 2) / (2 * Rs * Tg)
            g = (-lam + np.sqrt(lam**2 + 4 * turb * drive)) / (2 * turb)
            g = min(g, choke * max(p[i], p[i + 1]))
            q = np.sign(p[i] - p[i + 1]) * (g * area + drive * perm / (mu * dx) * roll) / M
            d[i] -= q
            d[i + 1] += q
        if thermal is not None:
            d = np.append(d, (gen * ((cv + R) * T - cv * Tg) - out * R * Tg + thermal * (T - Tg)) / (y[0] * cv))
        return d

    t, end = 0.0, duration + 0.2
    T0 = 298.15 if thermal is not None else T
    y = pa * vol / (R * T0)
    if thermal is not None:
        y = np.append(y, T0)
    peak, peak_t, differ = 0.0, 0.0, 0.0
    opening = []
    band = {"lband": 1, "uband": 1} if n_slices > 1 else {}
    while t < end - 1e-12:
        evs = []
        for k, (i, p_open, _, is_open) in enumerate(vents):
            if not is_open:
                e = lambda t, y, i=i, p_open=p_open: press(y)[i] - pa - p_open
                e.terminal, e.direction, e.k = True, 1, k
                evs.append(e)
        stop = duration / 2 if t < duration / 2 - 1e-12 else duration if t < duration - 1e-12 else end
        s = solve_ivp(f, (t, stop), y, method="LSODA", rtol=1e-8 if n_slices > 1 else 1e-10, atol=1e-14, events=evs or None, dense_output=True, **band)
        for tt in np.linspace(t, s.t[-1], 2001 if n_slices == 1 else 501):
            p = press(s.sol(tt)) - pa
            differ = max(differ, abs(p[0] - p[-1]))
            if p.max() > peak:
                peak, peak_t = p.max(), tt
        if s.status == 1:
            for e, te in zip(evs, s.t_events):
                if len(te):
                    vents[e.k][3] = True
                    opening.append({"vent": e.k, "time_s": te[0]})
        t, y = s.t[-1], s.y[:, -1].copy()
    return {"bottom": bottom, "slices": n_slices, "wall_W_K": thermal, "peak_Pa": peak, "peak_s": peak_t, "differ_Pa": differ, "openings": opening}


def fanno():
    out = []
    for gamma, M, p0, pb, T, x in ((1.4, 0.0289647, 1e6, 1e5, 300, 2.0), (1.2, 0.026, 2.5e6, 1e5, 1000, 5.0), (1.2, 0.026, 2.5e6, 2.3e6, 1000, 5.0), (1.3, 0.03, 5e5, 4e5, 500, 0.0)):
        def fl(m):
            return (1 - m * m) / (gamma * m * m) + (gamma + 1) / (2 * gamma) * np.log((gamma + 1) * m * m / (2 + (gamma - 1) * m * m))

        def total(m):
            return (1 + (gamma - 1) / 2 * m * m) ** (gamma / (gamma - 1))

        def g(m):
            return p0 / total(m) * m * np.sqrt(gamma * M / (R * T) * (1 + (gamma - 1) / 2 * m * m))

        def pe(m1, m2):  # adiabatic: p ~ 1/(M sqrt(1+(g-1)/2 M^2)) at constant flux
            q = lambda m: 1 / (m * np.sqrt(1 + (gamma - 1) / 2 * m * m))
            return p0 / total(m1) * q(m2) / q(m1)

        mc = brentq(lambda m: fl(m) - x, 1e-6, 1, xtol=1e-15) if x > 0 else 1.0
        if pe(mc, 1.0) >= pb:
            G = g(mc)
        else:
            def leave(m):
                left = fl(m) - x
                return 1.0 if left < 1e-13 else brentq(lambda e: fl(e) - left, 1e-6, 1, xtol=1e-15)

            m1 = brentq(lambda m: pe(m, leave(m)) - pb, 1e-4, mc, xtol=1e-15)
            G = g(m1)
        out.append({"gamma": gamma, "M": M, "p0": p0, "pb": pb, "T": T, "x": x, "flux": G})
    return out


def peng_robinson():
    crit = {"N2": (126.19, 3.396e6, 0.037), "CO2": (304.13, 7.377e6, 0.224), "H2": (33.19, 1.313e6, -0.216), "CH4": (190.56, 4.599e6, 0.011)}
    out = []
    for comp, p, T in (({"N2": 1}, 1e7, 300), ({"CO2": 1}, 3e6, 300), ({"CO2": 1}, 6e6, 295), ({"H2": 0.3, "CO2": 0.5, "CH4": 0.2}, 5e6, 400), ({"N2": 1}, 3e7, 1200)):
        n = list(comp)
        x = np.array([comp[k] for k in n])
        a, b = [], []
        for k in n:
            tc, pc, w = crit[k]
            kap = 0.37464 + 1.54226 * w - 0.26992 * w * w
            a.append(0.45723553 * R * R * tc * tc / pc * (1 + kap * (1 - np.sqrt(T / tc))) ** 2)
            b.append(0.07779607 * R * tc / pc)
        am = sum(x[i] * x[j] * np.sqrt(a[i] * a[j]) for i in range(len(n)) for j in range(len(n)))
        A, B = am * p / (R * T) ** 2, float(x @ b) * p / (R * T)
        z = np.roots([1, -(1 - B), A - 3 * B * B - 2 * B, -(A * B - B * B - B**3)])
        out.append({"parts": comp, "p": p, "T": T, "z": float(max(z[abs(z.imag) < 1e-9].real))})
    return out


def near(a, b, path=""):
    if isinstance(a, dict):
        return all(near(a[k], b[k], path + "/" + k) for k in a) and a.keys() == b.keys()
    if isinstance(a, list):
        return len(a) == len(b) and all(near(x, y, path + "/" + str(i)) for i, (x, y) in enumerate(zip(a, b)))
    if isinstance(a, (int, float)) and not isinstance(a, bool):
        if abs(a - b) <= 1e-5 * max(abs(a), abs(b), 1e-12):
            return True
        print(path, a, b)
        return False
    return a == b


def main():
    if "--check-quick" in sys.argv:
        with open(FILE) as f:
            want = json.load(f)
        got = json.loads(json.dumps({"wall": wall_blowdown(), "fanno": fanno(), "peng_robinson": peng_robinson(), "cells": [cell(True, 1)]}))
        want["cells"] = want["cells"][1:2]
        if not near(got, want):
            sys.exit("oracle.json does not agree with a fresh computation")
        print("oracle.json agrees")
        return
    got = {
        "wall": wall_blowdown(),
        "cells": [cell(False, 1), cell(True, 1), cell(False, 1, 0.0), cell(False, 1, 2.0), cell(False, 6), cell(True, 6)],
        "fanno": fanno(),
        "peng_robinson": peng_robinson(),
    }
    if "--check" in sys.argv:
        with open(FILE) as f:
            want = json.load(f)
        if not near(json.loads(json.dumps(got)), want):
            sys.exit("oracle.json does not agree with a fresh computation")
        print("oracle.json agrees")
        return
    with open(FILE, "w") as f:
        json.dump(got, f, indent=1)
        f.write("\n")


main()
