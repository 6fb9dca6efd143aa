//! Networks from pictures to points: generated graphs whose answer is known, for each head, crop and convention; then what must
//! be refused. The graphs run in the same runtime as a user's model; nothing here is trained.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::process::Command;

use midline_media::{Picture, PictureFormat};
use midline_points::inference::{Clip, InferenceError, Model, infer};
use midline_synth::onnx::{Attribute, Graph};

/// Input of the generated networks.
const WIDTH: usize = 192;
const HEIGHT: usize = 256;

/// A folder with a network and its manifest.
struct Files(tempfile::TempDir);

impl Files {
    fn new(graph: &Graph, names: &[&str], input: &str, head: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("model.onnx"), graph.encoded()).unwrap();
        let names: Vec<String> = names.iter().map(|n| format!("\"{n}\"")).collect();
        let manifest = format!(
            "schema = 1\nname = \"generated\"\nlicence = \"MIT OR Apache-2.0\"\nnames = [{}]\n[input]\nwidth = {WIDTH}\nheight = \
             {HEIGHT}\nstd = [255.0]\n{input}\n[head]\n{head}\n",
            names.join(", ")
        );
        std::fs::write(folder.path().join("model.toml"), manifest).unwrap();
        Self(folder)
    }

    fn path(&self) -> PathBuf {
        self.0.path().join("model.onnx")
    }

    fn open(&self) -> Model {
        Model::open(&self.path()).unwrap_or_else(|e| panic!("{e}"))
    }

    fn refused(&self, words: &[&str]) {
        said(&Model::open(&self.path()).err().expect("a refusal"), words);
    }
}

fn said(error: &InferenceError, words: &[&str]) {
    let message = error.to_string();
    for word in words {
        assert!(message.contains(word), "\"{word}\" is not in: {message}");
    }
}

/// A black picture with a round, soft spot in red and one in blue; places in px, standard deviation 8 px.
fn spots(size_px: [u32; 2], red: [f64; 2], blue: [f64; 2]) -> Picture {
    let [width, height] = size_px;
    let soft = |x: f64, y: f64, at: [f64; 2]| {
        let squared = (x - at[0]).powi(2) + (y - at[1]).powi(2);
        (250.0 * (-squared / 128.0).exp()).round() as u8
    };
    let mut pixels = Vec::with_capacity((width * height * 3) as usize);
    for y in 0..height {
        for x in 0..width {
            let (x, y) = (f64::from(x), f64::from(y));
            pixels.extend([soft(x, y, red), 0, soft(x, y, blue)]);
        }
    }
    Picture { frame_index: 0, pts_seconds: 0.0, size_px, format: PictureFormat::Rgb, pixels }
}

fn input_shape() -> [Option<usize>; 4] {
    [None, Some(3), Some(HEIGHT), Some(WIDTH)]
}

/// A graph whose `seen` are the red and the blue channel, pictures × 2 × rows × columns.
fn two_channels() -> Graph {
    Graph::default()
        .input("picture", &input_shape())
        .constant("choice", &[2, 3, 1, 1], &[1.0, 0.0, 0.0, 0.0, 0.0, 1.0])
        .node("Conv", &["picture", "choice"], "seen", &[])
}

/// Means of `seen` along rows or columns: `across` (pictures × 2 × width) and `down` (pictures × 2 × height).
fn profiles() -> Graph {
    let along = |graph: Graph, axis: i64, output: &str| {
        let attributes = [("axes", Attribute::Ints(&[axis])), ("keepdims", Attribute::Int(0))];
        graph.node("ReduceMean", &["seen"], output, &attributes)
    };
    along(along(two_channels(), 2, "across"), 3, "down")
}

/// Heat maps with one cell for every 4 pixels: of the mean of the 4 (cells edge to edge), or of the first of them.
fn heat_maps(mean: bool) -> Graph {
    let kernel: &[i64] = if mean { &[4, 4] } else { &[1, 1] };
    let pool = if mean { "AveragePool" } else { "MaxPool" };
    let attributes = [("kernel_shape", Attribute::Ints(kernel)), ("strides", Attribute::Ints(&[4, 4]))];
    two_channels().node(pool, &["seen"], "heat", &attributes).output("heat", &[None, Some(2), None, None])
}

/// SimCC with `split` cells per pixel, by linear interpolation of the profiles where the cells' middles lie.
fn simcc(split: usize, half: bool) -> Graph {
    let matrix = |pixels: usize| {
        let cells = pixels * split;
        let mut values = vec![0.0_f32; pixels * cells];
        for cell in 0..cells {
            let offset = if half { 0.5 } else { 0.0 };
            let at = ((cell as f64 + offset) / split as f64 - offset).clamp(0.0, pixels as f64 - 1.0);
            let low = (at.floor() as usize).min(pixels - 2);
            values[low * cells + cell] = (1.0 - (at - low as f64)) as f32;
            values[(low + 1) * cells + cell] = (at - low as f64) as f32;
        }
        values
    };
    profiles()
        .constant("cells_across", &[WIDTH, WIDTH * split], &matrix(WIDTH))
        .constant("cells_down", &[HEIGHT, HEIGHT * split], &matrix(HEIGHT))
        .node("MatMul", &["across", "cells_across"], "x", &[])
        .node("MatMul", &["down", "cells_down"], "y", &[])
        .output("x", &[None, Some(2), None])
        .output("y", &[None, Some(2), None])
}

/// The centre of all red and all blue as coordinates; `unit` gives the coordinate of each pixel of `n`.
fn regression(unit: &dyn Fn(usize, usize) -> f32) -> Graph {
    let coordinates = |pixels: usize| (0..pixels).map(|i| unit(i, pixels)).collect::<Vec<f32>>();
    let mean = |graph: Graph, profile: &str, pixels: usize, output: &str| {
        let (where_, ones) = (format!("{output}_where"), format!("{output}_ones"));
        let (moment, sum) = (format!("{output}_moment"), format!("{output}_sum"));
        graph
            .constant(&where_, &[pixels, 1], &coordinates(pixels))
            .constant(&ones, &[pixels, 1], &vec![1.0; pixels])
            .node("MatMul", &[profile, &where_], &moment, &[])
            .node("MatMul", &[profile, &ones], &sum, &[])
            .node("Div", &[&moment, &sum], output, &[])
    };
    mean(mean(profiles(), "across", WIDTH, "x"), "down", HEIGHT, "y")
        .node("Concat", &["x", "y"], "points", &[("axis", Attribute::Int(2))])
        .output("points", &[None, Some(2), Some(2)])
}

/// A box of 40 x 60 input pixels about the middle of all red, with its score and a class.
fn detector(boxes_last: bool) -> Graph {
    let graph = Graph::default()
        .input("picture", &input_shape())
        .constant("red", &[1, 3, 1, 1], &[1.0, 0.0, 0.0])
        .node("Conv", &["picture", "red"], "seen", &[]);
    let along = |graph: Graph, axis: i64, output: &str| {
        let attributes = [("axes", Attribute::Ints(&[axis])), ("keepdims", Attribute::Int(0))];
        graph.node("ReduceMean", &["seen"], output, &attributes)
    };
    let graph = along(along(graph, 2, "across"), 3, "down");
    let mean = |graph: Graph, profile: &str, pixels: usize, output: &str| {
        // Measured from the input's edge, as boxes are.
        let coordinates: Vec<f32> = (0..pixels).map(|i| i as f32 + 0.5).collect();
        let (where_, ones) = (format!("{output}_where"), format!("{output}_ones"));
        let (moment, sum) = (format!("{output}_moment"), format!("{output}_sum"));
        graph
            .constant(&where_, &[pixels, 1], &coordinates)
            .constant(&ones, &[pixels, 1], &vec![1.0; pixels])
            .node("MatMul", &[profile, &where_], &moment, &[])
            .node("MatMul", &[profile, &ones], &sum, &[])
            .node("Div", &[&moment, &sum], output, &[])
    };
    let graph = mean(mean(graph, "across", WIDTH, "cx"), "down", HEIGHT, "cy")
        .constant("rest", &[1, 1, 4], &[40.0, 60.0, 0.9, 1.0])
        .node("Concat", &["cx", "cy", "rest"], "rows", &[("axis", Attribute::Int(2))]);
    if boxes_last {
        graph
            .node("Transpose", &["rows"], "boxes", &[("perm", Attribute::Ints(&[0, 2, 1]))])
            .output("boxes", &[None, Some(6), Some(1)])
    } else {
        graph.output("rows", &[None, Some(1), Some(6)])
    }
}

const HEAT_HALF: &str = "kind = \"heat-map\"\npixel_centre = \"half\"\nleast_score = 0.05";
const LETTERBOX: &str = "crop = \"letterbox\"";
const BOX: &str = "crop = \"box\"\nbox_padding = 1.25";

/// Runs a model on spots at many places, through many boxes, and demands every coordinate to 0.1 px.
fn finds_the_spots(label: &str, model: &Model, boxes: &[Option<[f64; 4]>]) {
    let mut worst = 0.0_f64;
    for (index, player) in boxes.iter().enumerate() {
        for step in 0..4 {
            let part = 0.23 * f64::from(step) + 0.071 * index as f64;
            let (red, blue) = ([131.3 + part, 148.6 - part], [207.9 - part, 240.2 + 2.0 * part]);
            let picture = spots([320, 360], red, blue);
            let found = model.find(&picture, *player).unwrap();
            for (found, place) in found.iter().zip([red, blue]) {
                let found = found.unwrap_or_else(|| panic!("{label}: nothing found"));
                let error = (found.px[0] - place[0]).abs().max((found.px[1] - place[1]).abs());
                worst = worst.max(error);
                assert!(error < 0.1, "{label}, {player:?}: {:?} for {place:?}", found.px);
                assert!((0.0..=1.0).contains(&found.score));
            }
        }
    }
    println!("{label}: worst coordinate {worst:.4} px");
}

/// Crops at fractional places and of several sizes, all around both spots.
fn shifted_boxes() -> Vec<Option<[f64; 4]>> {
    let corners = [[0.0, 0.0], [0.31, -0.47], [-7.7, 3.3], [11.25, 9.9]];
    let mut boxes = vec![None];
    for (grow, [dx, dy]) in [0.0, 13.3, 31.0].into_iter().flat_map(|grow| corners.map(|corner| (grow, corner))) {
        boxes.push(Some([95.0 + dx - grow, 105.0 + dy - grow, 245.0 + dx + grow, 285.0 + dy + grow]));
    }
    boxes
}

#[test]
fn heat_maps_are_exact_to_a_tenth_of_a_pixel() {
    let names = ["left_wrist", "ball"];
    for refinement in ["log-parabola", "centroid"] {
        let refined = format!("refinement = \"{refinement}\"\nwindow_cells = 9");
        for (alignment, mean) in [("half", true), ("integer", false)] {
            let head = format!("kind = \"heat-map\"\npixel_centre = \"{alignment}\"\nleast_score = 0.05\n{refined}");
            for (crop, boxes) in [(LETTERBOX, vec![None]), (BOX, shifted_boxes())] {
                let files = Files::new(&heat_maps(mean), &names, crop, &head);
                let seen = if boxes.len() > 1 { "boxes" } else { "whole picture" };
                finds_the_spots(&format!("heat map, {alignment}, {refinement}, {seen}"), &files.open(), &boxes);
            }
        }
    }
}

#[test]
fn axes_of_cells_are_exact_to_a_tenth_of_a_pixel() {
    for (split, half) in [(1, true), (2, true), (2, false), (3, true)] {
        let alignment = if half { "half" } else { "integer" };
        let head = format!(
            "kind = \"simcc\"\nx_output = \"x\"\ny_output = \"y\"\nsplit_ratio = {split}.0\npixel_centre = \
             \"{alignment}\"\nleast_score = 0.0\nrefinement = \"centroid\"\nwindow_cells = {}",
            30 * split
        );
        let files = Files::new(&simcc(split, half), &["left_wrist", "ball"], BOX, &head);
        finds_the_spots(&format!("SimCC, {split} cells per pixel, {alignment}"), &files.open(), &shifted_boxes());
    }
}

#[test]
fn regressed_coordinates_are_exact_to_a_tenth_of_a_pixel() {
    type Coordinate = fn(usize, usize) -> f32;
    let cases: [(&str, &str, Coordinate); 5] = [
        ("px", "integer", |i, _| i as f32),
        ("px", "half", |i, _| i as f32 + 0.5),
        ("share", "half", |i, n| (i as f32 + 0.5) / n as f32),
        ("share", "integer", |i, n| i as f32 / n as f32),
        ("share", "corners", |i, n| i as f32 / (n as f32 - 1.0)),
    ];
    for (unit, alignment, coordinate) in cases {
        let head = format!("kind = \"regression\"\nunit = \"{unit}\"\npixel_centre = \"{alignment}\"");
        let files = Files::new(&regression(&coordinate), &["left_wrist", "ball"], BOX, &head);
        finds_the_spots(&format!("regression, {unit}, {alignment}"), &files.open(), &shifted_boxes());
    }
}

#[test]
fn a_detectors_box_lies_around_the_player() {
    let columns = "columns = [\"cx\", \"cy\", \"w\", \"h\", \"score\", \"class\"]\nunit = \"px\"\nclass = 1.0";
    for boxes_last in [false, true] {
        let head = format!("kind = \"boxes\"\n{columns}\nboxes_last = {boxes_last}");
        let files = Files::new(&detector(boxes_last), &[], LETTERBOX, &head);
        // 640 x 360 px into 192 pixels across: 3.333 px per input pixel.
        let people = files.open().find_people(&spots([640, 360], [333.3, 140.7], [0.0, 0.0])).unwrap();
        let ([left, top, right, bottom], score) = people[0];
        assert!((0.5 * (left + right) - 333.3).abs() < 0.1 && (0.5 * (top + bottom) - 140.7).abs() < 0.1, "{people:?}");
        assert!((right - left - 40.0 * 640.0 / 192.0).abs() < 1e-6 && (bottom - top - 200.0).abs() < 1e-6);
        assert!((score - 0.9).abs() < 1e-6);
        // Another class.
        let other = Files::new(&detector(boxes_last), &[], LETTERBOX, &head.replace("class = 1.0", "class = 0.0"));
        assert!(other.open().find_people(&spots([640, 360], [333.3, 140.7], [0.0, 0.0])).unwrap().is_empty());
    }
}

#[test]
fn a_model_that_contradicts_its_manifest_is_refused() {
    let two = ["left_wrist", "ball"];
    let heat = heat_maps(true);
    Files::new(&heat, &["nose", "left_wrist", "ball"], BOX, HEAT_HALF).refused(&[
        "model.onnx",
        "\"heat\"",
        "1 x 2 x 64 x 48",
        "3 names",
    ]);
    Files::new(&heat, &two, &format!("{BOX}\ncolours = \"grey\""), HEAT_HALF).refused(&[
        "the input \"picture\"",
        "? x 3 x 256 x 192",
        "1 x 1 x 256 x 192",
    ]);
    Files::new(&heat, &two, &format!("{BOX}\nlayout = \"nhwc\""), HEAT_HALF).refused(&["1 x 256 x 192 x 3"]);
    let simcc_head = "kind = \"simcc\"\nsplit_ratio = 2.0\npixel_centre = \"half\"";
    Files::new(&simcc(3, true), &two, BOX, simcc_head).refused(&[
        "\"x\"",
        "1 x 2 x 576",
        "1 x 2 x 384",
        "split ratio 2",
    ]);
    Files::new(&heat, &two, BOX, simcc_head).refused(&["reads 2 outputs", "has 1: heat"]);
    let regressed = "kind = \"regression\"\nunit = \"px\"\npixel_centre = \"half\"";
    Files::new(&heat, &two, BOX, regressed).refused(&["\"heat\"", "2 or 3"]);
    let boxes = "kind = \"boxes\"\ncolumns = [\"x1\", \"y1\", \"x2\", \"y2\", \"score\"]\nunit = \"px\"";
    Files::new(&detector(false), &[], LETTERBOX, boxes).refused(&["\"rows\"", "5 columns"]);
    Files::new(&heat, &two, BOX, &format!("{HEAT_HALF}\noutput = \"maps\"")).refused(&["no output \"maps\"", "heat"]);
    Files::new(&heat, &two, BOX, &HEAT_HALF.replace("heat-map", "wonder"))
        .refused(&["model.toml", "unknown variant `wonder`"]);
    let unknown = two_channels().node("Wonder", &["seen"], "heat", &[]).output("heat", &[None, Some(2), None, None]);
    Files::new(&unknown, &two, BOX, HEAT_HALF).refused(&["cannot be used", "Wonder"]);
    let files = Files::new(&heat, &two, BOX, HEAT_HALF);
    for (content, words) in
        [(&b""[..], "empty"), (b"this is no network", "cannot be used"), (&heat.encoded()[..90], "cannot be used")]
    {
        std::fs::write(files.path(), content).unwrap();
        files.refused(&["model.onnx", words]);
    }
    std::fs::remove_file(files.path()).unwrap();
    files.refused(&["model.onnx", "reading failed"]);
}

/// A short clip of a spot that moves right over 43 frames, or of nothing at all.
fn clip(folder: &Path, black: bool) -> PathBuf {
    let path = folder.join("clip.mp4");
    let picture = if black {
        "color=black:s=160x120:r=30:d=1.4333".to_owned()
    } else {
        "color=black:s=160x120:r=30:d=1.4333,format=rgb24,geq=r='250*exp(-((X-40-N*1.5)^2+(Y-60)^2)/128)':g=0:b='250*exp(-((X-60-N)^2+(Y-70)^2)/128)'".to_owned()
    };
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-f", "lavfi", "-i", &picture])
        .args(["-pix_fmt", "yuv420p", "-c:v", "libx264", "-qp", "4"])
        .arg(&path)
        .status()
        .unwrap();
    assert!(made.success());
    path
}

fn found(
    clip_path: &Path,
    model: Model,
    part: &Path,
    told: &RefCell<Vec<usize>>,
) -> Result<midline_session::keypoints::Keypoints, InferenceError> {
    let footage = midline_media::inspect(clip_path).unwrap();
    let clip = Clip { path: clip_path, footage: &footage, camera: "left", player: &[] };
    infer(clip, &[model], None, part, "key", &|done| told.borrow_mut().push(done))
}

#[test]
fn an_interrupted_run_goes_on_and_ends_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let path = clip(folder.path(), false);
    let part = folder.path().join("part");
    let head = "kind = \"regression\"\nunit = \"px\"\npixel_centre = \"integer\"";
    let graph = regression(&|i, _| i as f32);
    let model = |input: &str| Files::new(&graph, &["left_wrist", "ball"], input, head).open();
    /// Both spots and their surroundings.
    const WIDE: &str = "crop = \"box\"\nbox_padding = 4.0";
    let told = RefCell::default();
    let whole = found(&path, model(WIDE), &part, &told).unwrap();
    assert_eq!(whole.frames.len(), 43);
    assert_eq!(*told.borrow(), [0, 8, 16, 24, 32, 40, 43]);
    assert!(whole.remarks[0].contains("generated") && whole.remarks[0].contains("MIT"), "{:?}", whole.remarks);
    let worst = whole.frames.iter().map(|f| (f.points[0].unwrap().px[0] - 40.0 - 1.5 * f.frame_index as f64).abs());
    // Colour is stored at half size, in limited range and rounded: what is not black pulls a mean over the whole crop.
    assert!(worst.fold(0.0, f64::max) < 8.0);
    // Killed in the middle of the line of frame 21.
    let text = std::fs::read_to_string(&part).unwrap();
    let cut = text.lines().take(22).map(|line| line.len() + 1).sum::<usize>() + 15;
    std::fs::write(&part, &text[..cut]).unwrap();
    told.borrow_mut().clear();
    let resumed = found(&path, model(WIDE), &part, &told).unwrap();
    assert_eq!(*told.borrow(), [16, 24, 32, 40, 43]);
    assert_eq!(resumed, whole);
    assert_eq!(std::fs::read_to_string(&part).unwrap(), text);
    // A network that takes four pictures at once says the same.
    std::fs::remove_file(&part).unwrap();
    let fours = found(&path, model(&format!("{WIDE}\nbatch = 4")), &part, &told).unwrap();
    assert_eq!(fours.frames.len(), whole.frames.len());
    for (four, one) in fours.frames.iter().zip(&whole.frames) {
        for (four, one) in four.points.iter().flatten().zip(one.points.iter().flatten()) {
            assert!((four.px[0] - one.px[0]).abs() < 2e-3 && (four.px[1] - one.px[1]).abs() < 2e-3);
        }
    }
}

#[test]
fn what_is_no_number_and_what_finds_nothing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = clip(folder.path(), true);
    let part = folder.path().join("part");
    let names = ["left_wrist", "ball"];
    // The square root of what lies below zero; the grey picture at the start passes, the black one does not.
    let head = "kind = \"heat-map\"\npixel_centre = \"half\"";
    let root = two_channels()
        .constant("less", &[1], &[0.25])
        .node("Add", &["seen", "less"], "shifted", &[])
        .node("Sqrt", &["shifted"], "heat", &[])
        .output("heat", &[None, Some(2), None, None]);
    let model = Files::new(&root, &names, &format!("{LETTERBOX}\nmean = [255.0]"), head).open();
    said(
        &found(&path, model, &part, &RefCell::default()).unwrap_err(),
        &["model.onnx", "\"heat\"", "frame 0", "not a finite"],
    );
    let model = Files::new(&heat_maps(true), &names, LETTERBOX, HEAT_HALF).open();
    let told = RefCell::default();
    said(&found(&path, model, &part, &told).unwrap_err(), &["clip.mp4", "no point", "43 frames", "least_score"]);
}

#[test]
fn models_that_do_not_go_together_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = clip(folder.path(), true);
    let footage = midline_media::inspect(&path).unwrap();
    let body = || Files::new(&heat_maps(true), &["left_wrist", "ball"], BOX, HEAT_HALF).open();
    let boxes = "kind = \"boxes\"\ncolumns = [\"cx\", \"cy\", \"w\", \"h\", \"score\", \"class\"]\nunit = \"px\"";
    let finder = || Files::new(&detector(false), &[], LETTERBOX, boxes).open();
    let part = folder.path().join("part");
    let run = |models: &[Model], detector: Option<&Model>| {
        let clip = Clip { path: &path, footage: &footage, camera: "left", player: &[] };
        infer(clip, models, detector, &part, "key", &|_| ()).unwrap_err()
    };
    said(&run(&[body(), body()], None), &["\"left_wrist\" is found by another model"]);
    said(&run(&[finder()], None), &["detector of boxes", "--detector"]);
    said(&run(&[body()], Some(&body())), &["\"boxes\"", "--model"]);
}
