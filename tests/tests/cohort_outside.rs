//! The cohort's statistics on outside data, against the results published with them; and its files read by outside programs.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::{Path, PathBuf};
use std::process::Command;

use midline_analysis::reliability::{ErrorKind, MeanSquares};
use midline_cohort::statistics::curve_test::{CurveTest, Design, permute, test};
use midline_cohort::statistics::mixed::{Levels, Row, fit};
use midline_cohort::statistics::principal;
use midline_tests::academy::{academy, midline};
use midline_tests::{dataset, python};

/// A two-dimensional table of 64-bit floats in the format of numpy (version 1), row after row.
fn table(name: &str) -> Vec<Vec<f64>> {
    let path = dataset("spm1d").join("spm1d/data/datafiles").join(name);
    let bytes = std::fs::read(&path).unwrap();
    assert_eq!(&bytes[..6], b"\x93NUMPY");
    let length = usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    let head = std::str::from_utf8(&bytes[10..10 + length]).unwrap();
    assert!(head.contains("'<f8'"), "{head}");
    let shape = head.split("'shape': (").nth(1).unwrap().split(')').next().unwrap();
    let sizes: Vec<usize> = shape.split(',').filter_map(|s| s.trim().parse().ok()).collect();
    let values: Vec<f64> =
        bytes[10 + length..].chunks_exact(8).map(|b| f64::from_le_bytes(b.try_into().unwrap())).collect();
    let by_columns = head.contains("'fortran_order': True");
    let place = |row: usize, column: usize| if by_columns { column * sizes[0] + row } else { row * sizes[1] + column };
    (0..sizes[0]).map(|row| (0..sizes[1]).map(|column| values[place(row, column)]).collect()).collect()
}

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() < tolerance, "{found} instead of {expected}");
}

fn check(found: &CurveTest, fwhm: f64, z: f64, ends: [f64; 2], p: f64) {
    near(found.fwhm.unwrap(), fwhm, 1e-6);
    near(found.threshold, z, 1e-5);
    assert_eq!(found.clusters.len(), 1, "{:?}", found.clusters);
    near(found.clusters[0].from_to[0], ends[0], 1e-4);
    near(found.clusters[0].from_to[1], ends[1], 1e-4);
    near(found.clusters[0].p, p, 1e-5);
}

/// spm1d 0.4.55 on its built-in data, two-tailed at 0.05 (tests/reference/cohort_values.py). Plantar arch angles: Caravaggi et al. 2010;
/// simulated sets: Pataky et al. 2015.
#[test]
fn curve_statistics_as_spm1d() {
    let arch = table("ex_kinematics.npy");
    let (slow, fast) = (&arch[10..20], &arch[20..]);
    let two = test(Design::TwoSample { first: fast, second: slow }, 0.05, true).unwrap();
    check(&two, 20.595_628_781_942_63, 3.294_69, [93.274_613_018_735_98, 100.0], 0.031_23);
    for (k, t) in [(0, -1.020_776_936_873_451_4), (30, 0.882_603_074_875_115_2), (90, -2.501_888_791_197_188_5)] {
        near(two.t[k], t, 1e-7);
    }
    let paired = test(Design::Paired { first: fast, second: slow }, 0.05, true).unwrap();
    check(&paired, 20.371_964_194_066_212, 3.939_47, [95.566_055_502_644_69, 100.0], 0.037_30);

    let one = table("simscalar_datasetB.npy");
    let two_sided = test(Design::OneSample { curves: &one }, 0.05, true).unwrap();
    check(&two_sided, 26.547_359_180_487_692, 3.753_32, [73.928_966_969_180_75, 76.156_607_427_517_57], 0.048_05);
    let one_sided = test(Design::OneSample { curves: &one }, 0.05, false).unwrap();
    check(&one_sided, 26.547_359_180_487_692, 3.227_04, [72.822_133_731_600_81, 77.246_709_045_336_84], 0.044_41);

    let curves = table("simscalar_datasetC.npy");
    let numbers: Vec<f64> = (0..curves.len()).map(|k| k as f64).collect();
    let regression = test(Design::Regression { curves: &curves, numbers: &numbers }, 0.05, true).unwrap();
    check(&regression, 24.133_204_822_097_056, 4.004_61, [32.186_767_098_242_36, 44.287_701_284_688_86], 0.009_90);

    // By permutation of the labels the same stretch at the end of stance differs.
    let permuted = permute(Design::TwoSample { first: fast, second: slow }, 0.05, 4999, 1).unwrap();
    println!("permutation: threshold {:.3}, p {:.4}", permuted.threshold, permuted.p);
    near(permuted.threshold, two.threshold, 0.35);
    assert!(permuted.p < 0.05 && permuted.clusters[0].from_to[1] > 99.0, "{:?}", permuted.clusters);
}

/// The first functional components of spm1d's plantar arch angles by scikit-fda 0.10.1, integrals by the trapezoid rule
/// (tests/reference/cohort_values.py).
#[test]
fn functional_principal_components_as_scikit_fda() {
    let found = principal::components(&table("ex_kinematics.npy"), 4).unwrap();
    let shares = [0.646_940_815_607_986_8, 0.193_329_668_540_069_2, 0.096_322_609_032_961_55, 0.021_647_784_840_672_47];
    for (share, expected) in found.shares.iter().zip(shares) {
        near(*share, expected, 1e-9);
    }
    let curve = [
        (0, -0.043_782_877_419_131_21),
        (30, 0.151_063_041_770_581_8),
        (60, 0.829_355_425_206_623_3),
        (100, 1.957_244_568_807_040_6),
    ];
    for (instant, expected) in curve {
        near(found.curves[0][instant], expected, 1e-8);
    }
    for (scores, expected) in found.scores.iter().zip([-0.625_714_255_928_577_4, -0.710_350_331_166_813_6]) {
        near(scores[0], expected, 1e-8);
    }
}

/// sleepstudy with a random intercept: statsmodels 0.14.4, `mixedlm("Reaction ~ Days", groups="Subject")`, REML
/// (tests/reference/cohort_values.py); lme4's REML criterion of the same model is 1786.465.
#[test]
fn sleepstudy_as_statsmodels() {
    let text = std::fs::read_to_string(dataset("sleepstudy").join("pymer4/resources/sleep.csv")).unwrap();
    let rows: Vec<Row> = text
        .lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
            Row { player: cells[0] as usize, session: 0, y: cells[2], x: vec![cells[1]] }
        })
        .collect();
    let model = fit(&rows, Levels::Players).unwrap();
    assert_eq!(model.n, [18, 18, 180]);
    near(model.coefficients[0].value, 251.405_104_848_485, 1e-6);
    near(model.coefficients[1].value, 10.467_285_959_596, 1e-6);
    near(model.coefficients[0].standard_error, 9.746_708_8, 1e-3);
    near(model.coefficients[1].standard_error, 0.804_221_5, 1e-5);
    near(model.sd_players, 37.123_79, 1e-3);
    near(model.sd_strokes, 30.991_24, 1e-4);
    near(model.reml, 1786.465_085, 1e-5);
    assert_eq!(model.coefficients[1].df, 161);
}

/// Weir 2005 (J Strength Cond Res 19:231), trials A1 and A2 of 8 people; standard error of measurement 7.6 and minimal difference 21 as printed
/// there (table and numbers from memory). A course of strength testing that teaches with the same table prints F(1, 7) = .530, p = .49 and the
/// correlation of the mean, consistency, as .973 (.864 to .995), as SPSS gives them.
#[test]
fn reliability_of_weirs_example() {
    let trials = [(146, 140), (148, 152), (170, 152), (90, 99), (157, 145), (156, 153), (176, 167), (205, 218)];
    let table: Vec<Vec<f64>> = trials.iter().map(|(a, b)| vec![f64::from(*a), f64::from(*b)]).collect();
    let squares = MeanSquares::new(&table).unwrap();
    near(squares.between_ratings / squares.residual, 0.530, 5e-4);
    let mean = squares.intraclass().icc_3_k;
    near(mean.value, 0.973, 5e-4);
    near(mean.interval_95[0], 0.864, 5e-4);
    near(mean.interval_95[1], 0.995, 5e-4);
    near(squares.intraclass().icc_3_1.value, 0.95, 5e-3);
    let error = squares.measurement_error(ErrorKind::Consistency);
    near(error.sem.value, 7.6, 0.05);
    near(error.minimal_detectable_change.value, 21.0, 0.5);
}

fn checked(script: &str, arguments: &[&Path]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(script);
    let output = Command::new(python()).arg(script).args(arguments).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
    text
}

fn succeeded(arguments: &[&str]) -> String {
    let output = midline(arguments);
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The made-up store read by DuckDB 1.1.3 and Polars 1.17.1 gives the answers of the embedded engine.
#[test]
fn duckdb_and_polars_read_the_store_alike() {
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| folder.path().join(name);
    succeeded(&["cohort", "demo", &place("demo").display().to_string()]);
    let store = place("demo/store").display().to_string();
    let page = std::fs::read_to_string(place("demo/cohort-report.html")).unwrap();
    assert!(page.contains("racket-tip speed at contact differs by level") && !page.contains("http"), "self-contained");
    for (question, subject) in
        [("by-style", "tip-farthest-across"), ("mean-curves", "racket-tip-speed"), ("who-changed", "tip-speed-contact")]
    {
        let answer = place(&format!("{question}.csv"));
        let query = place(&format!("{question}.sql"));
        std::fs::write(&query, succeeded(&["cohort", "ask", &store, question, subject, "--print-sql"])).unwrap();
        succeeded(&[
            "cohort",
            "ask",
            &store,
            question,
            subject,
            "--form",
            "csv",
            "--to",
            &answer.display().to_string(),
        ]);
        print!("{}", checked("read_store.py", &[Path::new(&store), &query, &answer]));
    }
    // The same store and seed give the same page.
    let again = place("again.html").display().to_string();
    succeeded(&["cohort", "report", &store, "--to", &again]);
    assert_eq!(std::fs::read_to_string(&again).unwrap(), page);
}

/// C3D files of a measured stroke read back by ezc3d 1.7.2 hold the points of the tracks.
#[test]
fn ezc3d_reads_back_every_stroke() {
    let folder = tempfile::tempdir().unwrap();
    let session: PathBuf = academy().join("p07-first");
    let to = folder.path().display().to_string();
    let files = succeeded(&["cohort", "c3d", &session.display().to_string(), &to]);
    assert!(files.lines().count() >= 3, "{files}");
    print!("{}", checked("read_c3d.py", &[&session.join("midline"), folder.path()]));
}

/// A measured session goes into a store and comes out of a query.
#[test]
fn a_measured_session_is_added_and_asked() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("a store").display().to_string();
    let session = academy().join("p07-first").display().to_string();
    let roster = folder.path().join("roster.csv");
    std::fs::write(&roster, "player,level,age_group\nP07,county,14-16\n").unwrap();
    let add = ["cohort", "add", &store, &session, "--study", "spring", "--roster", &roster.display().to_string()];
    assert!(succeeded(&add).contains("added"));
    assert!(succeeded(&add).contains("is there already"));
    let rows =
        succeeded(&["cohort", "sql", &store, "SELECT DISTINCT player, level, style FROM quality", "--form", "csv"]);
    assert!(rows.contains("P07,county,across"), "{rows}");
    let failed = midline(&["cohort", "sql", &store, "SELECT nothing FROM strokes"]);
    assert_eq!(failed.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&failed.stderr).contains("midline cohort columns"));
}
