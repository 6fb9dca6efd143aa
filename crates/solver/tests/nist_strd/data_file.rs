//! The files of the NIST data sets: a head of text whose second part names the lines of starts, results and data.

use std::path::Path;

/// One data set with its starts and certified results, all numbers as printed.
#[derive(Debug)]
pub(crate) struct DataSet {
    /// `Lower`, `Average` or `Higher`, the level of difficulty by NIST.
    pub(crate) level: String,
    /// The two starts, each with one value per parameter.
    pub(crate) starts: [Vec<f64>; 2],
    /// Certified parameters, 11 digits.
    pub(crate) certified: Vec<f64>,
    /// Certified standard deviations of the parameters, 11 digits.
    pub(crate) deviations: Vec<f64>,
    /// Certified residual sum of squares, 11 digits.
    pub(crate) sum_of_squares: f64,
    /// Predictors of each observation.
    pub(crate) predictors: Vec<Vec<f64>>,
    /// Response of each observation; its logarithm where the model is one of the logarithm.
    pub(crate) responses: Vec<f64>,
}

/// Reads `<folder>/<name>.dat`.
///
/// # Panics
/// When the file is not as its own head says.
pub(crate) fn read(folder: &Path, name: &str) -> DataSet {
    let path = folder.join(format!("{name}.dat"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let lines: Vec<&str> = text.lines().collect();
    let after = |words: &str| {
        let line = lines.iter().find(|line| line.to_lowercase().trim_start().starts_with(words));
        line.unwrap_or_else(|| panic!("{name}: no line \"{words}\"")).trim_start()[words.len()..].trim()
    };
    // "(lines 41 to  43)", counted from 1 and with the last.
    let range = |words: &str| {
        let place = after(words).trim_start_matches("(lines").trim_end_matches(')');
        let (first, last) = place.split_once("to").unwrap_or_else(|| panic!("{name}: {place}"));
        &lines[first.trim().parse::<usize>().unwrap() - 1..last.trim().parse().unwrap()]
    };
    let numbers = |line: &str| -> Vec<f64> {
        line.split_whitespace().map(|word| word.parse().unwrap_or_else(|_| panic!("{name}: {word}"))).collect()
    };

    let rows: Vec<Vec<f64>> = range("starting values")
        .iter()
        .enumerate()
        .map(|(i, line)| {
            let (parameter, row) = line.split_once('=').unwrap_or_else(|| panic!("{name}: {line}"));
            assert_eq!(parameter.trim(), format!("b{}", i + 1), "{name}");
            numbers(row)
        })
        .collect();
    let column = |index: usize| rows.iter().map(|row| row[index]).collect::<Vec<f64>>();
    assert!(rows.iter().all(|row| row.len() == 4), "{name}");

    let on_logarithm = lines.iter().any(|line| line.trim_start().starts_with("log[y] ="));
    let observations: Vec<Vec<f64>> = range("data  ").iter().map(|line| numbers(line)).collect();
    let set = DataSet {
        level: lines.iter().find_map(|line| line.trim().strip_suffix("Level of Difficulty")).unwrap().trim().to_owned(),
        starts: [column(0), column(1)],
        certified: column(2),
        deviations: column(3),
        sum_of_squares: numbers(after("residual sum of squares:"))[0],
        predictors: observations.iter().map(|row| row[1..].to_vec()).collect(),
        responses: observations.iter().map(|row| if on_logarithm { row[0].ln() } else { row[0] }).collect(),
    };
    assert_eq!(numbers(after("number of observations:"))[0], set.responses.len() as f64, "{name}");
    // Not the printed degrees of freedom: for Rat43 they are misprinted (9 for 15 - 4), the deviation is right.
    let variance = set.sum_of_squares / (set.responses.len() - set.certified.len()) as f64;
    let printed = numbers(after("residual standard deviation:"))[0];
    assert!((variance.sqrt() / printed - 1.0).abs() < 1e-9, "{name}: {variance} against {printed} squared");
    set
}
