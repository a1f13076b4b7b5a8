# A one-mode machine on its way down, solved by scipy's general ODE solver:
#   x'' + 2 z w0 x' + w0^2 x = u (w^2 cos phi + w' sin phi),  phi' = w,  w' = -k w^2 - c
# (the full inertia force of a mass turning at a changing speed).
# usage: coast.py f0 zeta f_start seconds rate k c  ->  JSON of samples and mark crossings
import json, sys
import numpy as np
from scipy.integrate import solve_ivp

f0, zeta, f1, seconds, rate, k, c = map(float, sys.argv[1:8])
w0 = 2 * np.pi * f0


def rhs(t, s):
    x, v, phi, w = s
    a = -k * w * w - c
    return [v, w * w * np.cos(phi) + a * np.sin(phi) - 2 * zeta * w0 * v - w0 * w0 * x, w, a]


w = 2 * np.pi * f1
X = w * w / (w0 * w0 - w * w + 2j * zeta * w0 * w)
start = [X.real, (1j * w * X).real, 0.0, w]
t = np.arange(int(seconds * rate)) / rate
sol = solve_ivp(rhs, (0, t[-1]), start, t_eval=t, method="DOP853", rtol=1e-8, atol=1e-10, dense_output=True)
phi = sol.y[2]
marks = 2 * np.pi * np.arange(0, np.floor(phi[-1] / (2 * np.pi)))
edges = []
for m in marks:  # Newton on the dense solution
    i = min(np.searchsorted(phi, m), len(t) - 1)
    at = t[i]
    for _ in range(4):
        s = sol.sol(min(max(at, 0), t[-1]))
        at -= (s[2] - m) / s[3]
    edges.append(max(at, 0) * rate)
json.dump({"x": [float("%.9g" % v) for v in sol.y[0]], "edges": edges}, sys.stdout)
