//! The crates depend on each other only as the table in `DEVELOPERS.md` allows.
//!
//! The table is the one source: `| crate | one line | may depend on |`, the crate's short name in backticks, the short
//! names that it may depend on separated by commas, `–` for none, `all` for all; behind "; tests:" what its tests may use
//! besides. A crate that does not exist yet is marked with "(later)". Outside libraries are free, except that only `vision`
//! may use OpenCV and only `viewer` may use rerun.

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::path::{Path, PathBuf};

use cargo_metadata::{Dependency, DependencyKind, MetadataCommand};

const HEADER: [&str; 3] = ["crate", "one line", "may depend on"];
const LATER: &str = "(later)";

/// The one crate that may use an outside library; `None` when any may.
fn owner(library: &str) -> Option<&'static str> {
    match library {
        "opencv" => Some("vision"),
        // A reader of MP4 files that stands by itself, unlike rerun's own parts, which are named re_… too.
        "re_mp4" => None,
        "rerun" => Some("viewer"),
        part if part.starts_with("re_") => Some("viewer"),
        _ => None,
    }
}

/// One row of the table.
#[derive(Debug)]
struct Row {
    later: bool,
    allowed: Allowed,
}

#[derive(Debug, PartialEq)]
enum Allowed {
    All,
    Only { always: BTreeSet<String>, in_tests: BTreeSet<String> },
}

impl Allowed {
    fn names(&self) -> Box<dyn Iterator<Item = &String> + '_> {
        match self {
            Self::All => Box::new(std::iter::empty()),
            Self::Only { always, in_tests } => Box::new(always.union(in_tests)),
        }
    }
}

/// One crate of the workspace.
struct Crate {
    /// Short name.
    name: String,
    /// Short names of crates of the workspace.
    inside: BTreeSet<String>,
    /// Those of its tests alone.
    in_tests: BTreeSet<String>,
    /// Names of outside libraries.
    outside: BTreeSet<String>,
    inherits_lints: bool,
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn short(package: &str) -> &str {
    package.strip_prefix("midline-").unwrap_or(package)
}

fn cells(line: &str) -> Option<Vec<&str>> {
    Some(line.trim().strip_prefix('|')?.strip_suffix('|')?.split('|').map(str::trim).collect())
}

/// Reads the table; faults of the table itself are errors with its line.
fn table(guide: &str) -> Result<BTreeMap<String, Row>, String> {
    let mut lines = guide.lines().zip(1..).skip_while(|(line, _)| cells(line).is_none_or(|c| c != HEADER));
    let (_, start) = lines.next().ok_or_else(|| format!("no table with the header {HEADER:?}"))?;
    let mut rows = BTreeMap::new();
    for (line, number) in lines.skip(1) {
        let Some(cells) = cells(line) else { break };
        let [name, about, allowed] = cells[..] else { return Err(format!("line {number}: not three cells")) };
        let name = name
            .strip_prefix('`')
            .and_then(|n| n.strip_suffix('`'))
            .ok_or_else(|| format!("line {number}: the crate's name is not in backticks"))?;
        let allowed = match allowed {
            "all" => Allowed::All,
            "" => return Err(format!("line {number}: `{name}` has nothing in the third column (– for none)")),
            names => {
                let (always, in_tests) = names.split_once("; tests:").unwrap_or((names, "–"));
                let set = |names: &str| {
                    let names = names.split(',').map(|n| n.trim().trim_matches('`').to_owned());
                    names.filter(|n| n != "–").collect()
                };
                Allowed::Only { always: set(always), in_tests: set(in_tests) }
            }
        };
        let row = Row { later: about.contains(LATER), allowed };
        if rows.insert(short(name).to_owned(), row).is_some() {
            return Err(format!("line {number}: `{name}` stands twice"));
        }
    }
    if rows.is_empty() {
        return Err(format!("line {start}: the table is empty"));
    }
    for (name, row) in &rows {
        if let Some(unknown) = row.allowed.names().find(|n| !rows.contains_key(*n)) {
            return Err(format!("the row of `{name}` names `{unknown}`, which has no row"));
        }
    }
    Ok(rows)
}

/// The crates of the workspace, as cargo tells.
fn workspace() -> Result<Vec<Crate>, Box<dyn Error>> {
    let metadata = MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .no_deps()
        .other_options(vec!["--offline".to_owned()])
        .exec()?;
    let members: BTreeSet<&str> = metadata.workspace_packages().iter().map(|p| p.name.as_str()).collect();
    metadata
        .workspace_packages()
        .into_iter()
        .map(|package| {
            let (own, outside): (Vec<&Dependency>, Vec<&Dependency>) =
                package.dependencies.iter().partition(|d| members.contains(d.name.as_str()));
            let (in_tests, inside): (Vec<&Dependency>, Vec<&Dependency>) =
                own.into_iter().partition(|d| d.kind == DependencyKind::Development);
            let names = |list: Vec<&Dependency>| list.into_iter().map(|d| short(&d.name).to_owned()).collect();
            let manifest: toml::Table = std::fs::read_to_string(&package.manifest_path)?.parse()?;
            Ok(Crate {
                name: short(&package.name).to_owned(),
                inside: names(inside),
                in_tests: names(in_tests),
                outside: names(outside),
                inherits_lints: manifest
                    .get("lints")
                    .and_then(|l| l.get("workspace"))
                    .is_some_and(|w| w.as_bool() == Some(true)),
            })
        })
        .collect()
}

/// What breaks the rules, one sentence each.
fn faults(rows: &BTreeMap<String, Row>, crates: &[Crate]) -> Vec<String> {
    let mut faults = Vec::new();
    for krate in crates {
        let name = &krate.name;
        if !krate.inherits_lints {
            faults.push(format!("`{name}` does not inherit the workspace's lints: add `[lints] workspace = true`"));
        }
        for library in &krate.outside {
            if let Some(owner) = owner(library).filter(|owner| name != owner) {
                faults.push(format!("`{name}` uses {library}, which only `{owner}` may"));
            }
        }
        let Some(row) = rows.get(name) else {
            faults.push(format!("`{name}` is in the workspace but not in the table"));
            continue;
        };
        if row.later {
            faults.push(format!("`{name}` exists: take {LATER} out of its row"));
        }
        if let Allowed::Only { always, in_tests } = &row.allowed {
            for other in krate.inside.difference(always) {
                faults.push(format!("`{name}` depends on `{other}`, which its row does not allow"));
            }
            for other in krate.in_tests.iter().filter(|n| !always.contains(*n) && !in_tests.contains(*n)) {
                faults.push(format!("tests of `{name}` depend on `{other}`, which its row does not allow"));
            }
        }
    }
    for (name, _) in rows.iter().filter(|(name, row)| !row.later && crates.iter().all(|c| c.name != **name)) {
        faults.push(format!("`{name}` has a row but is not in the workspace: remove the row or mark it {LATER}"));
    }
    faults
}

#[test]
fn the_workspace_keeps_to_the_table() {
    let guide = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let rows = table(&guide).unwrap_or_else(|fault| panic!("DEVELOPERS.md: {fault}"));
    let crates = workspace().unwrap();
    // Guards against a check that looks at nothing.
    assert!(
        crates.len() > 10 && crates.iter().any(|c| c.inside.contains("session") && c.outside.contains("thiserror"))
    );
    let faults = faults(&rows, &crates);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

fn krate(name: &str, inside: &[&str], outside: &[&str]) -> Crate {
    Crate {
        name: name.to_owned(),
        inside: inside.iter().map(ToString::to_string).collect(),
        in_tests: BTreeSet::new(),
        outside: outside.iter().map(ToString::to_string).collect(),
        inherits_lints: true,
    }
}

/// A small table for the checks of the checker.
const MADE_UP: &str = "# Guide

| a | b |
|---|---|
| c | d |

| crate | one line | may depend on |
|---|---|---|
| `geometry` | shapes | – |
| `midline-lens` | lenses | geometry |
| `vision` | pictures | geometry; tests: lens |
| `desk` | pages (later) | geometry, lens |
| `midline` | program | all |

More text.
";

/// A workspace that keeps to it.
fn made_up() -> Vec<Crate> {
    let mut crates = vec![
        krate("geometry", &[], &["nalgebra"]),
        krate("lens", &["geometry"], &[]),
        krate("vision", &["geometry"], &["opencv", "re_mp4"]),
        krate("midline", &["geometry", "lens", "vision"], &[]),
    ];
    crates[2].in_tests = ["lens".to_owned(), "geometry".to_owned()].into();
    crates
}

#[test]
fn the_checker_finds_each_made_up_fault_and_nothing_else() {
    let rows = table(MADE_UP).unwrap();
    assert_eq!(faults(&rows, &made_up()), [""; 0]);
    let spoilt = |spoil: fn(&mut Vec<Crate>), expected: &str| {
        let mut crates = made_up();
        spoil(&mut crates);
        let found = faults(&rows, &crates);
        assert!(found.len() == 1 && found[0].contains(expected), "{expected:?} expected, found {found:?}");
    };
    spoilt(|c| c[1].inside.extend(["vision".to_owned()]), "`lens` depends on `vision`");
    spoilt(|c| c[0].inside.extend(["midline".to_owned()]), "`geometry` depends on `midline`");
    spoilt(|c| c[2].inside.extend(["lens".to_owned()]), "`vision` depends on `lens`");
    spoilt(|c| c[1].in_tests.extend(["vision".to_owned()]), "tests of `lens` depend on `vision`");
    spoilt(|c| c[1].outside.extend(["opencv".to_owned()]), "`lens` uses opencv, which only `vision` may");
    spoilt(|c| c[2].outside.extend(["rerun".to_owned()]), "`vision` uses rerun, which only `viewer` may");
    spoilt(|c| c[3].outside.extend(["re_sdk".to_owned()]), "`midline` uses re_sdk");
    spoilt(|c| c[2].inherits_lints = false, "`vision` does not inherit");
    spoilt(|c| c.push(krate("extra", &[], &[])), "`extra` is in the workspace but not in the table");
    spoilt(|c| drop(c.remove(1)), "`lens` has a row but is not in the workspace");
    spoilt(|c| c.push(krate("desk", &["lens"], &[])), "`desk` exists: take (later)");
}

#[test]
fn a_broken_table_is_an_error() {
    let with = |rows: &str| table(&format!("| crate | one line | may depend on |\n|---|---|---|\n{rows}"));
    for (rows, expected) in [
        ("", "empty"),
        ("| `a` | b |", "line 3: not three cells"),
        ("| a | b | – |", "line 3: the crate's name"),
        ("| `a` | b | |", "line 3: `a` has nothing"),
        ("| `a` | b | – |\n| `midline-a` | b | – |", "line 4: `midline-a` stands twice"),
        ("| `a` | b | c |", "names `c`, which has no row"),
    ] {
        let fault = with(rows).unwrap_err();
        assert!(fault.contains(expected), "{fault}");
    }
    assert!(table("no table here").unwrap_err().contains("no table"));
}
