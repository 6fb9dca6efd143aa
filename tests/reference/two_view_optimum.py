"""The two-view fixture of `midline-triangulation` (crates/triangulation/src/point.rs, `agrees_with_a_general_least_squares_optimiser`).

numpy 2.1.3, scipy 1.14.1. Prints the pixels of the point in both cameras, the least-squares optimum once the pixels are moved,
its sum of squared residuals in px², and the closed-form standard deviations of the symmetric pair in mm (lateral
Zs/(f sqrt2 cos h), depth Zs/(f sqrt2 sin h), vertical Zs/(f sqrt2) with h half the angle between the axes).
"""

import numpy as np
from scipy.optimize import least_squares

P1 = np.array([[1739.482681718907, -381.83766184073556, 0, 9600],
               [381.8376618407356, 381.8376618407357, -1500, 6900],
               [0.7071067811865475, 0.7071067811865476, 0, 10]])
P2 = np.array([[381.8376618407359, 1739.4826817189069, 0, 9600],
               [-381.8376618407356, 381.8376618407357, -1500, 6900],
               [-0.7071067811865475, 0.7071067811865476, 0, 10]])


def project(matrix, point):
    x = matrix @ np.append(point, 1.0)
    return x[:2] / x[2]


point = np.array([0.3, -0.4, 1.2])
pixels = [project(P, point) for P in (P1, P2)]
print("pixels", [[round(float(v), 10) for v in px] for px in pixels])
moved = [pixels[0] + [2, -3], pixels[1] + [-1, 4]]
found = least_squares(
    lambda x: np.concatenate([project(P, x) - px for P, px in zip((P1, P2), moved)]),
    point, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
print("optimum", [round(float(v), 8) for v in found.x], "px2", round(float(2 * found.cost), 8))
for degrees in (90.0, 40.0):
    half, scale = np.radians(degrees / 2), 1000 * 10.0 * 1.0 / (1500.0 * np.sqrt(2))
    print(degrees, [round(float(v), 4) for v in (scale / np.cos(half), scale / np.sin(half), scale)])
