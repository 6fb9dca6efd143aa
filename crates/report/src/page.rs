//! The page as data: what the template writes down.

use midline_session::SCHEMA_VERSION;
use midline_session::description::{DESCRIPTION_SCHEMA, Handedness};
use midline_session::strokes::{Curve, EventKind, Stroke, Strokes};
use serde::Serialize;

use crate::answers::{self, KindRow, SuspicionRow};
use crate::before_after::{self, ChangeRow};
use crate::curve_plot::{PhaseMark, Series, curve_plot, numbered_as, phase_marks};
use crate::facts::{self, Fact};
use crate::key_pictures::{self, Figure, WANTED};
use crate::measures::{Link, Measures};
use crate::numbers::{Shown, counted, listed, number, stroke_numbers, with_sd};
use crate::palette::LineStyle;
use crate::path_plot::{PathSeries, Sight, path_plot};
use crate::phase_plot::{phase_plots, styles as styles_of_phases};
use crate::plot::Plot;
use crate::quality::{Quality, coverage_3d};
use crate::sequence_plot::sequence_plot;
use crate::statements::{self, StatementRow};
use crate::{Before, KeyPicture, MissingStage, ReportError, ReportInput};

/// Identifiers of the curves that have a plot of their own; any other curve gets a plot further down.
const SPEED: &str = "racket-tip-speed";
const SHOULDERS: &str = "shoulder-alignment";
const HIPS: &str = "hip-alignment";

#[derive(Debug, Serialize)]
pub(crate) struct Page {
    player: String,
    handedness: &'static str,
    question: String,
    date: String,
    strokes: usize,
    cameras: String,
    // For the player.
    figures: Vec<Figure>,
    figure_columns: usize,
    figure_stroke: Option<usize>,
    figures_missing: Vec<String>,
    facts: Vec<Fact>,
    cue: String,
    drill: String,
    retest_on: String,
    retest: Option<Retest>,
    comparison: Option<Comparison>,
    missing: Vec<MissingStage>,
    // For the analyst.
    marks: Vec<PhaseMark>,
    legend: Vec<LegendEntry>,
    plots: Plots,
    definitions: Vec<Definition>,
    statements: Vec<StatementView>,
    suspicions: Vec<SuspicionRow>,
    measures: Measures,
    events: Vec<EventRow>,
    set_events: Vec<String>,
    kinds: Vec<KindRow>,
    styles: Vec<Style>,
    more_figures: Vec<Figure>,
    /// `Strokes 10 and 11`; empty when every stroke has a picture.
    not_pictured: String,
    quality: Quality,
    versions: Vec<(String, String)>,
    stages: Vec<StageView>,
}

#[derive(Debug, Serialize)]
struct LegendEntry {
    name: String,
    colour: String,
    dash: String,
}

#[derive(Debug, Serialize)]
struct Definition {
    name: String,
    text: String,
}

/// The measure that is taken again.
#[derive(Debug, Serialize)]
struct Retest {
    name: String,
    /// `None` when this session does not have it; the name is then what the coach wrote.
    now: Option<Shown>,
}

/// The earlier session beside this one.
#[derive(Debug, Serialize)]
struct Comparison {
    player: String,
    date: String,
    strokes: usize,
    /// What makes the two hard to compare, one sentence each.
    cautions: Vec<String>,
    /// For each event and camera: the earlier picture and the present one.
    pairs: Vec<[Option<Figure>; 2]>,
    stroke: Option<usize>,
    plots: Plots,
    marks: Vec<PhaseMark>,
    /// Mean curves of both sets over the same phases, and their lines.
    phases: Vec<Plot>,
    phase_legend: Vec<LegendEntry>,
    rows: Vec<ChangeRow>,
    /// What to keep in mind about the changes, one sentence each.
    remarks: Vec<String>,
}

/// A statement with links to the measures that it rests on.
#[derive(Debug, Serialize)]
struct StatementView {
    row: StatementRow,
    rests_on: Vec<Link>,
}

/// One kind of event over the strokes.
#[derive(Debug, Serialize)]
struct EventRow {
    name: &'static str,
    definition: String,
    source: String,
    /// `−812 ± 4` in milliseconds, one entry per stroke.
    strokes: Vec<Option<String>>,
}

#[derive(Debug, Serialize)]
struct Style {
    /// `Stroke 2`, `Strokes 1, 3 and 4`.
    strokes: String,
    text: String,
}

/// Provenance of one computed file.
#[derive(Debug, Serialize)]
struct StageView {
    stage: String,
    program: String,
    schema: u32,
    inputs: Vec<(String, String)>,
    settings: String,
}

impl Page {
    pub(crate) fn of(input: &ReportInput<'_>) -> Result<Self, ReportError> {
        let description = &input.session.description;
        let strokes = &input.strokes.strokes;
        let mut measures = Measures::of(input.strokes);
        let statements = statements::rows(input.strokes);
        let facts = facts::choose(&description.session.question, &statements, &measures);
        let statements = statements.into_iter().map(|row| with_links(row, &measures)).collect();
        let events = event_rows(strokes);
        add_missing(&mut measures, input, &events);
        let figure_stroke = key_pictures::players_stroke(input.pictures);
        let (figures, more_figures) = figures(input, figure_stroke)?;
        let marks = phase_marks(strokes);
        let before = input.before.as_ref();
        let plots = Plots::of(input.strokes, before.map(|b| b.strokes), &marks, "")?;
        let comparison = before.map(|before| comparison(before, input, &marks)).transpose()?;
        let most = before.map_or(0, |b| b.strokes.strokes.len()).max(strokes.len());
        let words = &description.report;
        let asked = words.retest_measure.trim();
        let retest_id = if asked.is_empty() { facts.first().map(|f| f.id.as_str()) } else { Some(asked) };
        let retest = retest_id.map(|id| match measures.row(id) {
            Some(row) => {
                let single = || row.strokes.iter().flatten().find_map(|cell| cell.shown.clone());
                let now = row.over.as_ref().and_then(|cell| cell.shown.clone());
                Retest { name: row.name.clone(), now: now.or_else(|| (strokes.len() == 1).then(single).flatten()) }
            }
            None => Retest { name: id.to_owned(), now: None },
        });
        for missing in &plots.missing {
            measures.add_reason(
                missing,
                "over all strokes",
                "the analysis gave no curve or path with a measured value",
            );
        }
        Ok(Self {
            player: description.player.code.clone(),
            handedness: match description.player.handedness {
                Handedness::Right => "right-handed",
                Handedness::Left => "left-handed",
            },
            question: description.session.question.trim().to_owned(),
            date: description.session.date.trim().to_owned(),
            strokes: strokes.len(),
            cameras: counted(description.cameras.len(), "camera"),
            figure_columns: columns(&figures),
            figures_missing: figures_missing(input, figure_stroke),
            figures,
            figure_stroke,
            facts,
            cue: words.cue.trim().to_owned(),
            drill: words.drill.trim().to_owned(),
            retest_on: words.retest_on.trim().to_owned(),
            retest,
            comparison,
            missing: input.missing.to_vec(),
            marks,
            legend: (0..most).map(|i| stroke_legend(i, strokes.get(i).map_or(i + 1, |s| s.number))).collect(),
            plots,
            definitions: definitions(strokes),
            statements,
            suspicions: answers::suspicions(input.strokes, &measures),
            measures,
            events,
            set_events: answers::set_events(input.strokes),
            kinds: answers::kinds(input.strokes),
            styles: styles(strokes),
            more_figures,
            not_pictured: not_pictured(input),
            quality: Quality::of(input),
            versions: versions(input),
            stages: input.provenance.iter().map(stage).collect(),
        })
    }
}

fn with_links(row: StatementRow, measures: &Measures) -> StatementView {
    StatementView { rests_on: measures.links(&row.rests_on), row }
}

fn stroke_legend(index: usize, stroke: usize) -> LegendEntry {
    legend_entry(format!("stroke {stroke}"), LineStyle::of(index))
}

fn legend_entry(name: String, style: LineStyle) -> LegendEntry {
    LegendEntry { name, colour: style.hex(), dash: style.dash_array() }
}

/// Shoulders solid, hips dashed.
fn alignment_styles() -> [(&'static str, LineStyle); 2] {
    [(SHOULDERS, LineStyle::of(0)), (HIPS, LineStyle::of(1))]
}

/// All plots of one set of strokes.
#[derive(Debug, Serialize)]
struct Plots {
    speed: Option<Plot>,
    paths: Vec<Plot>,
    alignment: Option<Plot>,
    sequence: Option<Plot>,
    further: Vec<Plot>,
    #[serde(skip)]
    missing: Vec<&'static str>,
}

/// What the identifiers and titles of the earlier session's plots start and end with.
const BEFORE: &str = "before";

impl Plots {
    /// Plots of one set of strokes, on axes that hold those of `beside` as well; `which` tells two sets in one page apart.
    fn of(
        strokes: &Strokes,
        beside: Option<&Strokes>,
        marks: &[PhaseMark],
        which: &'static str,
    ) -> Result<Self, ReportError> {
        let named = |id: &str, title: &str| match (which, beside) {
            ("", None) => (format!("plot-{id}"), title.to_owned()),
            ("", Some(_)) => (format!("plot-{id}"), format!("{title}, now")),
            _ => (format!("{which}-plot-{id}"), format!("{title}, {which}")),
        };
        let other: &[Stroke] = beside.map_or(&[], |b| &b.strokes);
        let curves = |id: &str, title: &str, ids: &[(&str, Option<LineStyle>)]| {
            let series = |strokes| -> Vec<Series<'_>> {
                ids.iter().flat_map(|(curve, style)| of_curve(strokes, curve, *style)).collect()
            };
            let (id, title) = named(id, title);
            curve_plot(&id, &title, &series(&strokes.strokes), &series(other), marks)
        };
        let speed = curves("speed", "Racket-tip speed", &[(SPEED, None)])?;
        let lines = alignment_styles().map(|(id, style)| (id, Some(style)));
        let alignment = curves("alignment", "Shoulder and hip alignment", &lines)?;
        let further = further_ids(&strokes.strokes).into_iter().enumerate();
        let further = further.map(|(i, c)| curves(&format!("further-{i}"), &c.name, &[(&c.id, None)]));
        let further = further.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect();
        let paths = |id: &str, title: &str, sight| {
            let (id, title) = named(id, title);
            path_plot(&id, &title, sight, &racket_paths(&strokes.strokes), &racket_paths(other))
        };
        let above = paths("above", "Racket path from above", Sight::Above)?;
        let behind = paths("behind", "Racket path from behind", Sight::Behind)?;
        let (id, title) = named("sequence", "Sequence of the segments");
        let sequence = sequence_plot(&id, &title, strokes, beside)?;
        let missing = [
            (speed.is_none(), "Curve of the racket-tip speed"),
            (above.is_none(), "Path of the racket"),
            (alignment.is_none(), "Curves of shoulder and hip alignment"),
            (sequence.is_none(), "Sequence of the segments"),
        ];
        let missing = missing.into_iter().filter(|(missing, _)| *missing && !strokes.strokes.is_empty()).map(|m| m.1);
        let missing = missing.collect();
        Ok(Self { speed, paths: above.into_iter().chain(behind).collect(), alignment, sequence, further, missing })
    }
}

/// The curve of every stroke that has it, in the strokes' styles unless one is given.
fn of_curve<'a>(strokes: &'a [Stroke], id: &str, style: Option<LineStyle>) -> Vec<Series<'a>> {
    let numbered = strokes.iter().enumerate();
    let curves = numbered.filter_map(|(i, s)| Some((i, s.curves.iter().find(|c| c.id == id)?)));
    curves.map(|(i, curve)| Series { curve, style: style.unwrap_or_else(|| LineStyle::of(i)) }).collect()
}

/// The path of the tip when there is one, else of any point of the racket.
fn racket_paths(strokes: &[Stroke]) -> Vec<PathSeries<'_>> {
    let numbered = strokes.iter().enumerate();
    let paths = numbered.filter_map(|(i, s)| {
        let tip = s.paths.iter().find(|p| p.name == "racket_tip");
        let path = tip.or_else(|| s.paths.iter().find(|p| p.name.starts_with("racket")))?;
        Some(PathSeries { path, events: &s.events, style: LineStyle::of(i) })
    });
    paths.collect()
}

/// The earlier session: its pictures and plots with the scales and phases of the present one.
fn comparison(before: &Before<'_>, input: &ReportInput<'_>, marks: &[PhaseMark]) -> Result<Comparison, ReportError> {
    let (description, now) = (&before.session.description, &input.session.description);
    let mut cautions = Vec::new();
    if description.player.code != now.player.code {
        let [before, now] = [&description.player.code, &now.player.code];
        cautions.push(format!("These are two players, {before} and {now}: differences are not progress."));
    }
    if description.player.handedness != now.player.handedness {
        cautions.push("One plays right-handed and the other left-handed; body axes are mirrored to match.".to_owned());
    }
    let (rows, phases, remarks) = match before.comparison {
        Ok(compared) => {
            let rows = before_after::rows(compared, before.strokes, input.strokes);
            (rows, phase_plots(compared)?, compared.remarks.clone())
        }
        Err(reason) => {
            cautions.push(format!("The numbers of the two sessions are not compared: {reason}."));
            (Vec::new(), Vec::new(), Vec::new())
        }
    };
    let marks = numbered_as(phase_marks(&before.strokes.strokes), marks);
    let stroke = key_pictures::players_stroke(before.pictures);
    let now_stroke = key_pictures::players_stroke(input.pictures);
    let mut pairs = Vec::new();
    for event in WANTED {
        for place in 0..now.cameras.len().max(description.cameras.len()) {
            // Cameras are paired by name, else by their place in the description.
            let name_now = now.cameras.get(place).map(|c| &c.name);
            let named = name_now.filter(|name| description.cameras.iter().any(|c| c.name == **name));
            let name_before = named.or_else(|| description.cameras.get(place).map(|c| &c.name));
            let find = |pictures: &[KeyPicture], stroke: Option<usize>, camera: Option<&String>| {
                let mut pictures = pictures.iter();
                let fits = |p: &&KeyPicture| Some(p.stroke) == stroke && p.event == event && Some(&p.camera) == camera;
                pictures.find(fits).map(key_pictures::figure).transpose()
            };
            let pair = [find(before.pictures, stroke, name_before)?, find(input.pictures, now_stroke, name_now)?];
            if pair.iter().any(Option::is_some) {
                pairs.push(pair);
            }
        }
    }
    Ok(Comparison {
        player: description.player.code.clone(),
        date: description.session.date.trim().to_owned(),
        strokes: before.strokes.strokes.len(),
        cautions,
        pairs,
        stroke,
        plots: Plots::of(before.strokes, Some(input.strokes), &marks, BEFORE)?,
        marks,
        phases,
        phase_legend: styles_of_phases().map(|(name, style)| legend_entry(name.to_owned(), style)).into(),
        rows,
        remarks,
    })
}

/// One curve of every identifier that has no plot of its own, in the order of first appearance.
fn further_ids(strokes: &[Stroke]) -> Vec<&Curve> {
    let mut found: Vec<&Curve> = Vec::new();
    for curve in strokes.iter().flat_map(|s| &s.curves) {
        let own = [SPEED, SHOULDERS, HIPS].contains(&curve.id.as_str());
        if !own && found.iter().all(|known| known.id != curve.id) {
            found.push(curve);
        }
    }
    found
}

fn definitions(strokes: &[Stroke]) -> Vec<Definition> {
    let mut found: Vec<(&str, Definition)> = Vec::new();
    for curve in strokes.iter().flat_map(|s| &s.curves) {
        if found.iter().all(|(id, _)| *id != curve.id) {
            found.push((&curve.id, Definition { name: curve.name.clone(), text: curve.definition.clone() }));
        }
    }
    found.into_iter().map(|(_, definition)| definition).collect()
}

fn event_rows(strokes: &[Stroke]) -> Vec<EventRow> {
    let mut kinds: Vec<EventKind> = strokes.iter().flat_map(|s| &s.events).map(|e| e.kind).collect();
    kinds.extend(EXPECTED);
    kinds.sort();
    kinds.dedup();
    let mean_time = |kind: &EventKind| {
        let times = strokes
            .iter()
            .filter_map(|s| Some(s.event(*kind)?.session_seconds - s.event(EventKind::Contact)?.session_seconds));
        let times: Vec<f64> = times.collect();
        if times.is_empty() { f64::INFINITY } else { times.iter().sum::<f64>() / times.len() as f64 }
    };
    kinds.sort_by(|a, b| mean_time(a).total_cmp(&mean_time(b)));
    let rows = kinds.into_iter().map(|kind| {
        let all: Vec<_> = strokes.iter().map(|s| s.event(kind)).collect();
        let known = all.iter().flatten().next();
        let mut sources: Vec<String> = all.iter().flatten().map(|e| e.source.clone()).collect();
        sources.sort();
        sources.dedup();
        let cells = strokes.iter().zip(&all).map(|(stroke, event)| {
            let (event, contact) = ((*event)?, stroke.event(EventKind::Contact)?);
            let milliseconds = (event.session_seconds - contact.session_seconds) * 1e3;
            Some(with_sd(milliseconds, Some(event.sd_seconds * 1e3), ""))
        });
        EventRow {
            name: kind.label(),
            definition: known.map(|e| e.definition.clone()).unwrap_or_default(),
            source: listed(&sources),
            strokes: cells.collect(),
        }
    });
    rows.collect()
}

/// Descriptions of the style; strokes of the same description together.
fn styles(strokes: &[Stroke]) -> Vec<Style> {
    let mut groups: Vec<(&str, Vec<usize>)> = Vec::new();
    for stroke in strokes {
        match groups.iter_mut().find(|(text, _)| *text == stroke.style) {
            Some((_, numbers)) => numbers.push(stroke.number),
            None => groups.push((&stroke.style, vec![stroke.number])),
        }
    }
    let style =
        |(text, numbers): (&str, Vec<usize>)| Style { strokes: stroke_numbers(&numbers), text: text.to_owned() };
    groups.into_iter().map(style).collect()
}

/// Events that every stroke should have; one that is missing is named. The racket need not go across.
const EXPECTED: [EventKind; 8] = [
    EventKind::Bounce,
    EventKind::TakeBackStart,
    EventKind::TakeBackEnd,
    EventKind::DropTop,
    EventKind::DropBottom,
    EventKind::ForwardSwingStart,
    EventKind::Contact,
    EventKind::FollowThroughEnd,
];

/// Events, points and calibrations that are not there, as further reasons.
fn add_missing(measures: &mut Measures, input: &ReportInput<'_>, events: &[EventRow]) {
    let strokes: &Strokes = input.strokes;
    for row in events.iter().filter(|row| EXPECTED.iter().any(|kind| kind.label() == row.name)) {
        let without = strokes.strokes.iter().zip(&row.strokes).filter(|(_, cell)| cell.is_none());
        let without: Vec<String> = without.map(|(stroke, _)| stroke.number.to_string()).collect();
        if !without.is_empty() {
            let place = format!("stroke{} {}", if without.len() == 1 { "" } else { "s" }, listed(&without));
            measures.add_reason(&format!("Event: {}", row.name), &place, "the event, or the contact, was not found");
        }
    }
    for name in &input.tracks.names {
        if coverage_3d(input.tracks, name).1.is_none() {
            let because = "no instant has a place in 3D; see the coverage of the points under quality";
            measures.add_reason(&format!("Point: {}", name.replace('_', " ")), "over all strokes", because);
        }
    }
    for camera in input.session.description.cameras.iter().map(|c| &c.name) {
        let parts = [
            ("lens", input.lenses.iter().any(|l| l.camera == *camera)),
            ("place", input.rig.cameras.iter().any(|c| c.name == *camera)),
            ("clock", input.clock.camera(camera).is_some()),
            ("2D points", input.keypoints.iter().any(|k| k.camera == *camera)),
        ];
        for (part, _) in parts.iter().filter(|(_, there)| !there) {
            let because = format!("there is no {part} for this camera, so its footage was not used");
            measures.add_reason(&format!("Camera {camera}: {part}"), "over all strokes", &because);
        }
    }
}

/// The player's pictures by event and camera, and all others.
fn figures(input: &ReportInput<'_>, stroke: Option<usize>) -> Result<(Vec<Figure>, Vec<Figure>), ReportError> {
    let cameras: Vec<&String> = input.session.description.cameras.iter().map(|c| &c.name).collect();
    let camera = |name: &str| cameras.iter().position(|c| *c == name).unwrap_or(cameras.len());
    let mut pictures: Vec<_> = input.pictures.iter().collect();
    pictures.sort_by_key(|p| (p.stroke, p.event, camera(&p.camera))); // stable
    let (own, more): (Vec<_>, Vec<_>) =
        pictures.into_iter().partition(|p| Some(p.stroke) == stroke && WANTED.contains(&p.event));
    let make = |pictures: Vec<_>| pictures.into_iter().map(key_pictures::figure).collect::<Result<Vec<_>, _>>();
    Ok((make(own)?, make(more)?))
}

/// Strokes of which there is no picture, while there are some of others; empty otherwise.
fn not_pictured(input: &ReportInput<'_>) -> String {
    let numbers = input.strokes.strokes.iter().map(|s| s.number);
    let without: Vec<usize> = numbers.filter(|n| input.pictures.iter().all(|p| p.stroke != *n)).collect();
    if without.is_empty() || input.pictures.is_empty() { String::new() } else { stroke_numbers(&without) }
}

/// Number of different events among the figures: the columns on a wide page.
fn columns(figures: &[Figure]) -> usize {
    let mut events: Vec<&str> = figures.iter().map(|f| f.event).collect();
    events.dedup(); // sorted by event
    events.len()
}

/// Sentences about the wanted pictures that are not there.
fn figures_missing(input: &ReportInput<'_>, stroke: Option<usize>) -> Vec<String> {
    let Some(stroke) = stroke else { return vec!["There are no key pictures.".to_owned()] };
    let has = |event, camera: &str| {
        input.pictures.iter().any(|p| p.stroke == stroke && p.event == event && p.camera == camera)
    };
    let cameras = || input.session.description.cameras.iter().map(|c| c.name.clone());
    let sentences = WANTED.into_iter().filter_map(|event| {
        let without: Vec<String> = cameras().filter(|camera| !has(event, camera)).collect();
        (!without.is_empty()).then(|| format!("No picture of the {} from {}.", event.label(), listed(&without)))
    });
    sentences.collect()
}

fn versions(input: &ReportInput<'_>) -> Vec<(String, String)> {
    let description = &input.session.description;
    let mut versions = vec![
        ("Program".to_owned(), input.program.to_owned()),
        ("Schema of session.toml".to_owned(), format!("{} (newest known {DESCRIPTION_SCHEMA})", description.schema)),
        ("Schema of computed files".to_owned(), SCHEMA_VERSION.to_string()),
        ("Air temperature".to_owned(), format!("{} °C", number(description.session.air_celsius, 1))),
    ];
    if let Some(court) = &description.court {
        versions.push(("Court model".to_owned(), court.model.clone()));
    }
    versions.extend(description.boards.iter().map(|board| {
        let [across, down] = board.inner_corners;
        let size = number(board.square_m * 1e3, 1);
        (format!("Board {}", board.name), format!("{across} × {down} inner corners, squares of {size} mm"))
    }));
    versions
}

fn stage(provenance: &midline_session::Provenance) -> StageView {
    let settings = if provenance.settings.is_null() {
        String::new()
    } else {
        provenance.settings.to_string() // JSON in one run: indented, a court model alone fills pages
    };
    StageView {
        stage: provenance.stage.clone(),
        program: provenance.program.clone(),
        schema: provenance.schema,
        inputs: provenance.inputs.iter().map(|(name, hash)| (name.clone(), hash.clone())).collect(),
        settings,
    }
}
