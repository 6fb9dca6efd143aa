"""Cubic smoothing splines whose smoothness generalised cross-validation chooses, for crates/signal/tests/smoothing.rs.

numpy 2.1.3, scipy 1.14.1 (`make_smoothing_spline`), NIST StRD Gauss1 to Gauss3: FOLDER with the files. Prints the rms distance of spline and slope from
the curve of the certified parameters.
"""

import re
import sys

import numpy as np
from scipy.interpolate import make_smoothing_spline

for name in ("Gauss1", "Gauss2", "Gauss3"):
    lines = open(f"{sys.argv[1]}/{name}.dat", encoding="ascii").read().splitlines()
    b = [float(re.split(r"\s+", line.strip())[4]) for line in lines if re.match(r"\s+b\d = ", line)]
    start = max(i for i, line in enumerate(lines) if line.startswith("Data:")) + 1
    y, x = np.array([[float(cell) for cell in line.split()] for line in lines[start:] if line.strip()]).T
    bells = [b[i] * np.exp(-(((x - b[i + 1]) / b[i + 2]) ** 2)) for i in (2, 5)]
    curve = b[0] * np.exp(-b[1] * x) + bells[0] + bells[1]
    slope = -b[0] * b[1] * np.exp(-b[1] * x)
    for bell, i in zip(bells, (2, 5)):
        slope -= bell * 2 * (x - b[i + 1]) / b[i + 2] ** 2
    spline = make_smoothing_spline(x, y)
    off = [np.sqrt(np.mean(d**2)) for d in (spline(x) - curve, spline.derivative()(x) - slope)]
    print(f'("{name}", {off[0]:.6f}, {off[1]:.6f}),')
