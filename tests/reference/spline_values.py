"""Values of B-spline basis functions for the tests of `midline-geometry` (crates/geometry/src/spline_basis.rs).

numpy 2.1.3, scipy 1.14.1. Prints, for degrees 3 and 5 on uneven breaks, value and first three derivatives of a spline
with coefficients c_i = sin(1.3 i + 0.4) at some instants.
"""

import numpy as np
from scipy.interpolate import BSpline

BREAKS = [0.0, 0.1, 0.25, 0.3, 0.55, 0.6, 1.0]
for degree in (3, 5):
    knots = np.r_[[BREAKS[0]] * degree, BREAKS, [BREAKS[-1]] * degree]
    count = len(knots) - degree - 1
    spline = BSpline(knots, np.sin(1.3 * np.arange(count) + 0.4), degree)
    for at in (0.0, 0.07, 0.3, 0.58, 0.99):
        values = [float(spline.derivative(k)(at)) if k else float(spline(at)) for k in range(4)]
        print(f"({degree}, {at}, {values}),")
