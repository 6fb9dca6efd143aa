"""Values for the tests of `midline-cohort` (crates/cohort/src/statistics).

Pinned: numpy 2.1.3, scipy 1.14.1, statsmodels 0.14.4, pandas 3.1.1, spm1d 0.4.55, scikit-fda 0.10.1, matplotlib 3.9.2.
    python3 -m venv environment && environment/bin/pip install -r tests/reference/cohort_requirements.txt
    environment/bin/python tests/reference/cohort_values.py [sleep.csv]

`sleep.csv` is the sleepstudy table of the source package pymer4 0.9.2 (datasets/fetch sleepstudy).
"""

import sys

import numpy as np
from scipy import stats
from scipy.cluster.hierarchy import fcluster, linkage
from statsmodels.stats.multitest import multipletests

print("noncentral t")
for t, df, nc in [(2.0, 18, 1.0), (-0.5, 5, 0.3), (4.0, 38, 3.0), (1.5, 10, 0.0)]:
    print(f"({t}, {float(df)}, {nc}, {stats.nct.cdf(t, df, nc) if nc else stats.t.cdf(t, df)!r}),")

print("multiple comparisons")
P = [0.01, 0.04, 0.03, 0.005, 0.6]
print(multipletests(P, method="holm")[1].tolist(), multipletests(P, method="fdr_bh")[1].tolist())

print("Ward")
points = np.array([[np.sin(1.3 * i) + 3 * (i % 3), np.cos(0.7 * i) - 2 * (i % 3)] for i in range(15)])
tree = linkage(points, "ward")
print(tree[:, 2].tolist())
print(fcluster(tree, 3, "maxclust").tolist())

print("curves")
import spm1d

def say(name, two, y):
    inference = y.inference(0.05, two_tailed=two, interp=True)
    clusters = [(c.endpoints, c.P) for c in inference.clusters]
    print(name, "fwhm", float(y.fwhm), "z*", float(inference.zstar), "p", clusters, "t", y.z[[0, 30, 60, 90]].tolist())

uv1d = spm1d.data.uv1d
a, b = uv1d.t2.PlantarArchAngle().get_data()
say("two-sample PlantarArchAngle", True, spm1d.stats.ttest2(b, a, equal_var=True))
a, b = uv1d.tpaired.PlantarArchAngle().get_data()
say("paired PlantarArchAngle", True, spm1d.stats.ttest_paired(b, a))
for two in (False, True):
    y, mu = uv1d.t1.SimulatedPataky2015b().get_data()
    say(f"one-sample SimulatedPataky2015b two={two}", two, spm1d.stats.ttest(y, mu))
    y, x = uv1d.regress.SimulatedPataky2015c().get_data()
    say(f"regression SimulatedPataky2015c two={two}", two, spm1d.stats.regress(y, x))

import skfda
from skfda.preprocessing.dim_reduction import FPCA

print("functional principal components of the 30 plantar arch angles, integrals by the trapezoid rule")
arch = np.load(uv1d.t2.PlantarArchAngle().datafile)
weights = np.r_[0.5, np.ones(arch.shape[1] - 2), 0.5] / (arch.shape[1] - 1)
curves = skfda.FDataGrid(arch, np.linspace(0, 1, arch.shape[1]))
components = FPCA(n_components=4, _weights=weights).fit(curves)
print(components.explained_variance_ratio_.tolist())
print(components.components_.data_matrix[0, [0, 30, 60, 100], 0].tolist(), components.transform(curves)[:3, :2].tolist())

if len(sys.argv) > 1:
    import pandas
    import statsmodels.formula.api as formulas

    print("sleepstudy, random intercept")
    table = pandas.read_csv(sys.argv[1])
    fit = formulas.mixedlm("Reaction ~ Days", table, groups=table["Subject"]).fit(reml=True)
    print(fit.params.tolist(), fit.bse.tolist(), "sd", float(fit.cov_re.iloc[0, 0]) ** 0.5, float(fit.scale) ** 0.5, "reml", -2 * fit.llf)
