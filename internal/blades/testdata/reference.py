"""Recomputes blade surveys with numpy and scipy, knowing nothing of the Go code.

Standard input: JSON list of fans in mm, degrees and kg. Standard output: JSON
list of answers. The fewest blades come from a mixed integer program (HiGHS
through scipy.optimize.milp); the round tolerance is drawn once outside by a
polygon (never too strict) and, where asked, once inside (never too loose).
"""
import json
import sys

import numpy as np
from scipy.integrate import quad
from scipy.optimize import Bounds, LinearConstraint, milp

SIDES = 64


def harmonic(x, theta):
    s = np.sum((x - np.mean(x)) * np.exp(1j * theta))
    return abs(s), np.degrees(np.angle(s)) % 360


def couple(fan, x, theta):
    """Integrates r z dm over uniform blades tilted about their roots."""
    hub, tip, mass = fan["hub"], fan["tip"], np.array(fan["mass"])
    per = quad(lambda r: r * (r - hub) / (tip - hub) / (tip - hub), hub, tip)[0]
    c = np.sum(mass * 1e3 * per * (x - np.mean(x)) * np.exp(1j * theta))
    return abs(c), np.degrees(np.angle(c)) % 360


def fewest(fan, x, theta, inside, total):
    """Least number of moved blades, then least sum of |move| with so many."""
    n = len(x)
    spread, tol, far, step = fan["spread"], fan["tol"], fan["max"], fan["step"]
    x = x - np.mean(x)
    # variables: up n, down n, touched n, window 1 [, whole steps n]
    nv = 3 * n + 1 + (n if step else 0)
    eye, zero = np.eye(n), np.zeros((n, n))
    one = np.ones((n, 1))
    pad = [np.zeros((n, n))] if step else []
    rows, lo, hi = [], [], []

    def add(blocks, low, high):
        rows.append(np.hstack(blocks + (pad if len(blocks) == 4 and step else [])))
        lo.append(np.broadcast_to(low, rows[-1].shape[0]))
        hi.append(np.broadcast_to(high, rows[-1].shape[0]))

    add([eye, eye, -far * eye, 0 * one], -np.inf, 0.0)
    add([eye, -eye, zero, -one], -x, spread - x)
    if step:
        add([eye, -eye, zero, 0 * one, -step * eye], 0.0, 0.0)
    h = np.sum(x * np.exp(1j * theta))
    dirs = 2 * np.pi * (np.arange(SIDES) + 0.5) / SIDES
    r = tol * (np.cos(np.pi / SIDES) if inside else 1.0)
    g = np.cos(theta[None, :] - dirs[:, None])
    a = np.hstack([g, -g, np.zeros((SIDES, n + 1 + (n if step else 0)))])
    rows.append(a)
    lo.append(np.full(SIDES, -np.inf))
    hi.append(r - np.real(h * np.exp(-1j * dirs)))
    rest = np.zeros(nv - 3 * n)
    blades = np.concatenate([np.zeros(2 * n), np.ones(n), rest])
    moves = np.concatenate([np.ones(2 * n), np.zeros(n), rest])
    kinds = np.concatenate([np.zeros(2 * n), np.ones(n), [0.0], np.ones(nv - 3 * n - 1)])
    low = np.concatenate([np.zeros(3 * n), [-1e3], np.full(nv - 3 * n - 1, -1e4)])
    high = np.concatenate([np.full(2 * n, far), np.ones(n), [1e3], np.full(nv - 3 * n - 1, 1e4)])
    held = LinearConstraint(np.vstack(rows), np.concatenate(lo), np.concatenate(hi))
    box = Bounds(low, high)
    ans = milp(blades, constraints=held, integrality=kinds, bounds=box)
    if ans.x is None:
        return None
    out = {"count": int(round(ans.fun)), "total": None}
    if total:
        few = LinearConstraint(blades[None, :], -np.inf, out["count"] + 0.5)
        out["total"] = float(milp(moves, constraints=[held, few], integrality=kinds, bounds=box, options={"mip_rel_gap": 0}).fun)
    return out


def main():
    out = []
    for fan in json.load(sys.stdin):
        x, theta = np.array(fan["x"]), np.radians(fan["theta"])
        a = {"harmonic": harmonic(x, theta), "couple": couple(fan, x, theta)}
        if fan["search"]:
            a["outside"] = fewest(fan, x, theta, False, fan["search"] == 3)
            if fan["search"] == 2:
                a["inside"] = fewest(fan, x, theta, True, False)
        out.append(a)
    json.dump(out, sys.stdout)


main()
