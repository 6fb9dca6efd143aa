//! A made-up academy.
mod ball;
mod body;
mod curves;
mod error;
mod player;
mod stroke;
mod style;
pub use error::SynthError;

#[cfg(test)]
mod probe {
    use crate::{ball::*, body::*, curves::*, player::*, stroke::*, style::*};
    use midline_session::description::Handedness;
    #[test]
    fn probe() {
        for (drop, hitch, start, bounce, turned, least, rise) in [(Drop::Across, true, -0.95, -0.52, -0.44, 2.0, 2.2), (Drop::Across, false, -0.65, -0.63, -0.34, 4.0, 2.2),(Drop::HittingSide, false, -0.62, -0.57, -0.30,2.5, 2.2)] {
        let deg = std::f64::consts::PI/180.0;
        let body = Body::of_height(1.83);
        let timing = Timing { bounce, take_back_start: start, turned,
            hips: Turn { ready: 12.0*deg, back: 34.0*deg, forward: Bell{ amplitude: 52.0*deg, peak_seconds: -0.075, rise_seconds:0.062, fall_seconds:0.062}, through: 20.0*deg},
            shoulders: Turn { ready: 18.0*deg, back: 58.0*deg, forward: Bell{ amplitude: 112.0*deg, peak_seconds: -0.057, rise_seconds:0.070, fall_seconds:0.08}, through: 25.0*deg},
            least_speed: least, contact_speed: 31.0, kept_speed: 0.7, rise, hitch: hitch.then_some(Hitch{peak_speed:7.5, depth:0.28, peak:-0.25, bottom:-0.225, recovered:-0.19, recovered_speed: 6.8}) };
        let s = Stroke::new(body, &Path::of(drop), timing, [0.2,-0.3]).unwrap();
        println!("{drop:?} TBE {:.3} FT {:.3}", s.take_back_end, s.follow_through_end);
        let p = Player{ handedness: Handedness::Right, body, strokes: vec![(0.0, s.clone())]};
        let mut t=start;
        while t<0.4 {
            let f=p.figure(t); let g=p.figure(t+1e-4); let g0=p.figure(t-1e-4);
            let tr=s.trunk(t); let a=s.arm(&tr,t);
            let v=(g.tip-f.tip)/1e-4; let vb=(f.tip-g0.tip)/1e-4;
            let rel=f.tip-tr.mid_shoulder;
            println!("t {t:+.2} tip {:+.2} {:+.2} {:+.2} v {:5.2}/{:5.2} dir {:+.2} {:+.2} {:+.2} lat {:+.2} fr {:+.2} wr {:+.2} {:+.2} {:+.2} by {:.2} legs {:.3} sh {:.0} elb {:.0}", f.tip.x,f.tip.y,f.tip.z, vb.norm(), v.norm(), v.x/v.norm(),v.y/v.norm(),v.z/v.norm(), rel.dot(&tr.axes[0]), rel.dot(&tr.axes[1]), f.wrists[1].x,f.wrists[1].y,f.wrists[1].z, a.beyond_reach, (f.ankles[0]-f.hips[0]).norm().max((f.ankles[1]-f.hips[1]).norm()), tr.axes[0].y.atan2(tr.axes[0].x)/deg, (f.elbows[1]-f.shoulders[1]).angle(&(f.wrists[1]-f.elbows[1]))/deg);
            t+= if t<0.0 {0.02} else {0.1};
        }
        println!("ball at {:?}", s.arm(&s.trunk(0.0),0.0).ball_on_strings(BALL_RADIUS));
        }
    }
}
