//! The plan from above: court, run-off, tripods with what they see, error ellipses over the zone.

use std::fmt::Write;

use midline_geometry::Camera;
use midline_session::court::Court;
use nalgebra::{Matrix2, Point3, Vector2};

use super::file::Plan;
use super::forecast::{Forecast, Kind};
use super::place::{Stand, posted};

/// Pixels per metre.
const SCALE: f64 = 34.0;
/// Room around what is drawn, m.
const MARGIN_M: f64 = 1.2;
/// Least width of the drawing, so that the legend fits, m.
const LEAST_WIDTH_M: f64 = 21.0;
/// How far fields of view are drawn beyond the middle of the zone, m.
const BEYOND_M: f64 = 3.0;
/// Longer half axis of the largest ellipse, m on the ground; the picture says by how much ellipses are enlarged.
const LARGEST_ELLIPSE_M: f64 = 0.8;
/// Room below the drawing for the legend, px.
const LEGEND_PX: f64 = 104.0;
/// Length of the scale bar, m.
const BAR_M: f64 = 2.0;
/// Width of a letter and height of a line of text, px (a sans-serif font of 12 px), and the radius of a tripod's dot.
const LETTER_PX: f64 = 6.4;
const LINE_PX: f64 = 14.0;
const DOT_PX: f64 = 6.0;

const NOW: &str = "#b3541e";
const BETTER: &str = "#1c6a6a";

/// From court coordinates to the picture: the net is up.
struct Sheet {
    left_m: f64,
    top_m: f64,
    size_px: [f64; 2],
}

impl Sheet {
    fn x(&self, x_m: f64) -> f64 {
        (x_m - self.left_m) * SCALE
    }

    fn y(&self, y_m: f64) -> f64 {
        (self.top_m - y_m) * SCALE
    }

    fn rectangle(&self, [x0, y0, x1, y1]: [f64; 4], style: &str) -> String {
        format!(
            r#"<rect x="{:.1}" y="{:.1}" width="{:.1}" height="{:.1}" {style}/>"#,
            self.x(x0),
            self.y(y1),
            (x1 - x0) * SCALE,
            (y1 - y0) * SCALE
        )
    }
}

/// A stand with what is said of it.
struct Drawn<'a> {
    name: &'a str,
    colour: &'a str,
    stand: &'a Stand,
    forecast: &'a Forecast,
}

/// An SVG picture of the plan with the intended places, and with better ones when they differ. Ellipses are one standard
/// deviation of the racket tip in the horizontal plane, enlarged as the legend says, at the middle height of the zone.
#[must_use]
pub fn picture(plan: &Plan, now: (&Stand, &Forecast), better: Option<(&Stand, &Forecast)>) -> String {
    let mut stands = vec![Drawn { name: "as intended", colour: NOW, stand: now.0, forecast: now.1 }];
    stands.extend(better.filter(|(stand, _)| *stand != now.0).map(|(stand, forecast)| Drawn {
        name: "better",
        colour: BETTER,
        stand,
        forecast,
    }));
    let Some(court) = plan.court_model() else { return String::new() };
    let sheet = sheet(plan, &court, &stands);
    let [width, height] = sheet.size_px;
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0} {:.0}" width="{width:.0}" height="{:.0}" font-family="sans-serif" font-size="12">"#,
        height + LEGEND_PX,
        height + LEGEND_PX
    );
    svg.push_str(r##"<rect width="100%" height="100%" fill="#f4f1ea"/>"##);
    ground(&mut svg, plan, &court, &sheet);
    let enlarged = enlargement(&stands);
    for drawn in &stands {
        posted(plan, drawn.stand).iter().for_each(|camera| view(&mut svg, plan, &sheet, camera, drawn));
    }
    if let [now, better] = stands.as_slice() {
        moves(&mut svg, &sheet, now, better);
    }
    tripods(&mut svg, plan, &sheet, &stands);
    for drawn in &stands {
        ellipses(&mut svg, &sheet, drawn, enlarged);
    }
    legend(&mut svg, plan, &sheet, &stands, enlarged);
    svg.push_str("</svg>\n");
    svg
}

fn sheet(plan: &Plan, court: &Court, stands: &[Drawn]) -> Sheet {
    let outline = court.run_off_outline_m().unwrap_or_else(|| court.outline_m());
    let places = stands.iter().flat_map(|s| s.stand.iter().map(|p| [p[0], p[1]]));
    let allowed =
        plan.phones.iter().filter_map(|p| p.may_stand).flat_map(|a| [[a.x_m[0], a.y_m[0]], [a.x_m[1], a.y_m[1]]]);
    // The far half is shown only as far as somebody stands there.
    let near = [[outline[0], outline[1]], [outline[2], (outline[1] + outline[3]) / 2.0 + 1.0]];
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for point in near.into_iter().chain(places).chain(allowed) {
        for axis in 0..2 {
            low[axis] = low[axis].min(point[axis]);
            high[axis] = high[axis].max(point[axis]);
        }
    }
    let narrow = (LEAST_WIDTH_M - (high[0] - low[0])).max(0.0) / 2.0;
    (low[0], high[0]) = (low[0] - narrow, high[0] + narrow);
    Sheet {
        left_m: low[0] - MARGIN_M,
        top_m: high[1] + MARGIN_M,
        size_px: [(high[0] - low[0] + 2.0 * MARGIN_M) * SCALE, (high[1] - low[1] + 2.0 * MARGIN_M) * SCALE],
    }
}

fn ground(svg: &mut String, plan: &Plan, court: &Court, sheet: &Sheet) {
    if let Some(run_off) = court.run_off_outline_m() {
        svg.push_str(&sheet.rectangle(run_off, r##"fill="#efe2d0" stroke="#a0835c" stroke-dasharray="7 5""##));
        let (x, y) = (sheet.x(run_off[0]) + 14.0, 16.0);
        let _ = write!(
            svg,
            r##"<text x="{x:.1}" y="{y:.1}" fill="#7d6440" transform="rotate(90 {x:.1} {y:.1})">run-off area: keep tripods and cables out</text>"##,
        );
    }
    svg.push_str(&sheet.rectangle(court.outline_m(), r##"fill="#dfe7dd""##));
    for line in court.lines_m.values() {
        svg.push_str(&sheet.rectangle(*line, r##"fill="#ffffff" stroke="#8a948a" stroke-width="0.5""##));
    }
    let net: Vec<String> =
        court.net_top_m.iter().map(|p| format!("{:.1},{:.1}", sheet.x(p[0]), sheet.y(p[1]))).collect();
    let _ = write!(svg, r##"<polyline points="{}" fill="none" stroke="#555" stroke-width="2"/>"##, net.join(" "));
    if let Some(post) = court.net_top_m.last() {
        let (x, y) = (sheet.x(post[0]) + 6.0, sheet.y(post[1]) + 4.0);
        let _ = write!(svg, r##"<text x="{x:.1}" y="{y:.1}" fill="#444">net</text>"##);
    }
    for (phone, area) in plan.phones.iter().filter_map(|p| Some((p, p.may_stand?))) {
        let (x, y) = (sheet.x(area.x_m[0]) + 5.0, sheet.y(area.y_m[0]) - 6.0);
        let name = escaped(&phone.name);
        let _ = write!(svg, r##"<text x="{x:.1}" y="{y:.1}" fill="#666">{name} may stand here</text>"##);
        let ground = [area.x_m[0], area.y_m[0], area.x_m[1], area.y_m[1]];
        svg.push_str(&sheet.rectangle(ground, r##"fill="none" stroke="#666" stroke-dasharray="2 4""##));
    }
    let (zone, bounce) = (&plan.zone, &plan.bounce);
    for (name, x, y, text_y) in [
        ("hitting zone", zone.x_m, zone.y_m, sheet.y(zone.y_m[0]) + 14.0),
        ("bounce", bounce.x_m, bounce.y_m, sheet.y(bounce.y_m[1]) - 4.0),
    ] {
        svg.push_str(
            &sheet.rectangle([x[0], y[0], x[1], y[1]], r##"fill="#ffffff" fill-opacity="0.45" stroke="#444""##),
        );
        let _ = write!(svg, r##"<text x="{:.1}" y="{:.1}" fill="#444">{name}</text>"##, sheet.x(x[0]) + 4.0, text_y);
    }
}

/// What a tripod's phone sees: filled for the better places, dashed for the intended ones, so that the two can be told apart.
fn view(svg: &mut String, plan: &Plan, sheet: &Sheet, camera: &Camera, drawn: &Drawn) {
    let at = camera.centre_world();
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    let reach = (plan.zone.centre() - at).xy().norm() + BEYOND_M;
    let edge = |x: f64| -> Option<Point3<f64>> {
        let ray = camera.ray_world(Vector2::new(x, height / 2.0)).ok()?;
        let along = ray.xy().try_normalize(1e-9)?;
        Some(Point3::new(at.x + along.x * reach, at.y + along.y * reach, 0.0))
    };
    let (Some(left), Some(right)) = (edge(0.0), edge(width - 1.0)) else { return };
    let (x, y) = (sheet.x(at.x), sheet.y(at.y));
    let [x0, y0, x1, y1] = [sheet.x(left.x), sheet.y(left.y), sheet.x(right.x), sheet.y(right.y)];
    let colour = drawn.colour;
    let style = if colour == NOW {
        r#"fill="none" stroke-dasharray="6 4""#.to_owned()
    } else {
        format!(r#"fill="{colour}" fill-opacity="0.08""#)
    };
    let _ = write!(
        svg,
        r#"<path d="M{x0:.1} {y0:.1} L{x:.1} {y:.1} L{x1:.1} {y1:.1}" stroke="{colour}" stroke-opacity="0.6" {style}/>"#,
    );
}

/// From each intended place to the better one.
fn moves(svg: &mut String, sheet: &Sheet, now: &Drawn, better: &Drawn) {
    for (from, to) in now.stand.iter().zip(better.stand) {
        let [from, to] = [from, to].map(|place| Vector2::new(sheet.x(place[0]), sheet.y(place[1])));
        let Some(along) = (to - from).try_normalize(3.0 * DOT_PX) else { continue };
        let (start, end) = (from + along * DOT_PX, to - along * (DOT_PX + 2.0));
        let across = Vector2::new(-along.y, along.x);
        let [a, b] = [1.0, -1.0].map(|side| end - along * 9.0 + across * (4.5 * side));
        let _ = write!(
            svg,
            r##"<path d="M{:.1} {:.1} L{:.1} {:.1}" stroke="#333"/><path d="M{:.1} {:.1} L{:.1} {:.1} L{:.1} {:.1} Z" fill="#333"/>"##,
            start.x, start.y, end.x, end.y, a.x, a.y, end.x, end.y, b.x, b.y
        );
    }
}

/// The tripods with their names, each beside its dot where neither another name nor a dot is.
fn tripods(svg: &mut String, plan: &Plan, sheet: &Sheet, stands: &[Drawn]) {
    let dots: Vec<(Vector2<f64>, &str, String)> = stands
        .iter()
        .flat_map(|drawn| {
            drawn.stand.iter().zip(&plan.phones).map(|(place, phone)| {
                let text = format!("{} ({:.1} m high)", phone.name, place[2]);
                (Vector2::new(sheet.x(place[0]), sheet.y(place[1])), drawn.colour, text)
            })
        })
        .collect();
    let mut taken: Vec<[f64; 4]> =
        dots.iter().map(|(at, ..)| [at.x - DOT_PX, at.y - DOT_PX, at.x + DOT_PX, at.y + DOT_PX]).collect();
    for (at, colour, text) in &dots {
        let wide = LETTER_PX * text.chars().count() as f64;
        let boxes = [(9.0, 5.0), (9.0, -5.0 - LINE_PX), (-9.0 - wide, 5.0), (-9.0 - wide, -5.0 - LINE_PX)]
            .map(|(right, down)| [at.x + right, at.y + down, at.x + right + wide, at.y + down + LINE_PX]);
        let free = |own: &[f64; 4]| {
            let apart =
                |other: &[f64; 4]| own[2] < other[0] || other[2] < own[0] || own[3] < other[1] || other[3] < own[1];
            own[0] > 0.0 && own[2] < sheet.size_px[0] && taken.iter().all(apart)
        };
        let own = boxes.iter().find(|own| free(own)).copied().unwrap_or(boxes[0]);
        taken.push(own);
        let _ = write!(
            svg,
            r##"<circle cx="{:.1}" cy="{:.1}" r="{DOT_PX}" fill="{colour}"/><text x="{:.1}" y="{:.1}" fill="{colour}" stroke="#f4f1ea" stroke-width="3" paint-order="stroke">{}</text>"##,
            at.x,
            at.y,
            own[0],
            own[3] - 3.0,
            escaped(text)
        );
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;")
}

/// Principal half axes of a horizontal covariance, m, and the direction of the first, radians from x.
fn axes(covariance: &Matrix2<f64>) -> ([f64; 2], f64) {
    let eigen = covariance.symmetric_eigen();
    let first = usize::from(eigen.eigenvalues[1] > eigen.eigenvalues[0]);
    let direction = eigen.eigenvectors.column(first);
    let half = |index: usize| eigen.eigenvalues[index].max(0.0).sqrt();
    ([half(first), half(1 - first)], direction[1].atan2(direction[0]))
}

/// Horizontal covariances of the racket at the middle height.
fn middle_covariances<'a>(drawn: &Drawn<'a>) -> impl Iterator<Item = (Point3<f64>, Option<Matrix2<f64>>)> + use<'a> {
    let heights = || drawn.forecast.points.iter().map(|p| p.position_m.z);
    let middle = (heights().fold(f64::INFINITY, f64::min) + heights().fold(f64::NEG_INFINITY, f64::max)) / 2.0;
    let forecast = drawn.forecast;
    forecast
        .points
        .iter()
        .filter(move |p| (p.position_m.z - middle).abs() < 1e-6)
        .map(|p| (p.position_m, p.of(Kind::Racket).map(|e| e.covariance_m2.fixed_view::<2, 2>(0, 0).into_owned())))
}

/// A round factor that makes the largest ellipse fit.
fn enlargement(stands: &[Drawn]) -> f64 {
    let largest = stands
        .iter()
        .flat_map(middle_covariances)
        .filter_map(|(_, covariance)| Some(axes(&covariance?).0[0]))
        .fold(1e-4, f64::max);
    let factor = LARGEST_ELLIPSE_M / largest;
    let decade = 10f64.powf(factor.log10().floor());
    [8.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0]
        .into_iter()
        .map(|step| step * decade)
        .find(|round| *round <= factor)
        .unwrap_or(1.0)
        .max(1.0)
}

fn ellipses(svg: &mut String, sheet: &Sheet, drawn: &Drawn, enlarged: f64) {
    for (position, covariance) in middle_covariances(drawn) {
        let (x, y) = (sheet.x(position.x), sheet.y(position.y));
        let Some(covariance) = covariance else {
            let _ = write!(
                svg,
                r#"<path d="M{:.1} {:.1} l8 8 m0 -8 l-8 8" stroke="{}" stroke-width="1.5"/>"#,
                x - 4.0,
                y - 4.0,
                drawn.colour
            );
            continue;
        };
        let ([long, short], angle) = axes(&covariance);
        let px = |half: f64| (half * enlarged * SCALE).min(4.0 * LARGEST_ELLIPSE_M * SCALE);
        let (colour, turn) = (drawn.colour, -angle.to_degrees());
        let _ = write!(
            svg,
            r#"<ellipse cx="{x:.1}" cy="{y:.1}" rx="{:.1}" ry="{:.1}" transform="rotate({turn:.1} {x:.1} {y:.1})" fill="{colour}" fill-opacity="0.25" stroke="{colour}"/>"#,
            px(long),
            px(short),
        );
    }
}

fn legend(svg: &mut String, plan: &Plan, sheet: &Sheet, stands: &[Drawn], enlarged: f64) {
    let top = sheet.size_px[1] + 20.0;
    for (index, drawn) in stands.iter().enumerate() {
        let y = top + 20.0 * index as f64;
        let millimetres = |m: f64| m * 1e3;
        let _ = write!(
            svg,
            r#"<circle cx="22" cy="{:.1}" r="6" fill="{}"/><text x="36" y="{y:.1}" fill="{1}">{}, 1 sd: racket tip {:.0} mm (depth {:.0}), body joint {:.0} mm (depth {:.0}); in two pictures: zone {:.0} %, bounce {:.0} %</text>"#,
            y - 4.0,
            drawn.colour,
            drawn.name,
            millimetres(drawn.forecast.racket.total_m),
            millimetres(drawn.forecast.racket.depth_m),
            millimetres(drawn.forecast.body.total_m),
            millimetres(drawn.forecast.body.depth_m),
            drawn.forecast.zone_share * 100.0,
            drawn.forecast.bounce_share * 100.0,
        );
    }
    let y = top + 20.0 * stands.len() as f64;
    let arrows = if stands.len() > 1 { " Arrows: from the intended places to the better ones." } else { "" };
    let notes = [
        format!(
            "Ellipses: 1 standard deviation of the racket tip at {:.0} m/s, {enlarged:.0} times enlarged; a cross: not in two pictures.",
            plan.motion.racket_mps
        ),
        format!("Wedges: what the phones see to left and right.{arrows}"),
    ];
    for (line, note) in notes.iter().enumerate() {
        let _ = write!(svg, r##"<text x="36" y="{:.1}" fill="#444">{note}</text>"##, y + 18.0 * line as f64);
    }
    let (bar, right) = (BAR_M * SCALE, sheet.size_px[0] - 16.0);
    let _ = write!(
        svg,
        r##"<path d="M{:.1} 14 v6 h{bar:.1} v-6" fill="none" stroke="#444"/><text x="{:.1}" y="34" fill="#444" text-anchor="middle">{BAR_M:.0} m</text>"##,
        right - bar,
        right - bar / 2.0
    );
}
