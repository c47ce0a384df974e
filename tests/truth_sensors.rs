//! The truth's sensors: noise, bias, quantisation, delay.

#[path = "truth_scene.rs"]
mod scene;

use scene::{diagonal, near, scene, truth, worst};
use stackhold_harness::scenario::model::Scenario;
use stackhold_harness::truth::Sensors;

fn turning() -> Scenario {
    let mut scenario = scene(1000.0, [0.0; 3], diagonal([100.0; 3]));
    scenario.initial.rate_rad_s = [0.01, -0.02, 0.03];
    scenario
}

/// What both sensors said of one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Measurement {
    time_s: f64,
    attitude_xyzw: [f64; 4],
    rate_rad_s: [f64; 3],
}

fn newest(sensors: &mut Sensors, time_s: f64) -> Option<Measurement> {
    let (attitude, rate) = sensors.newest_attitude(time_s).zip(sensors.newest_rate(time_s))?;
    assert_eq!(attitude.time_s, rate.time_s);
    Some(Measurement { time_s: rate.time_s, attitude_xyzw: attitude.value, rate_rad_s: rate.value })
}

/// `count` samples, one every 0.1 s.
fn samples(scenario: &Scenario, count: u32) -> Vec<Measurement> {
    let mut truth = truth(scenario);
    let mut sensors = Sensors::new(scenario);
    (1..=count)
        .map(|n| {
            truth.advance_to(f64::from(n) * 0.1);
            sensors.take(&truth);
            newest(&mut sensors, truth.time_s()).unwrap()
        })
        .collect()
}

/// A perfect sensor says the truth.
#[test]
fn perfect_sensors() {
    let scenario = turning();
    let mut truth = truth(&scenario);
    let mut sensors = Sensors::new(&scenario);
    truth.advance_to(5.0);
    sensors.take(&truth);
    let got = newest(&mut sensors, 5.0).unwrap();
    assert_eq!(got.time_s, 5.0);
    assert_eq!(got.attitude_xyzw, truth.attitude_xyzw());
    assert_eq!(got.rate_rad_s, truth.rate_rad_s());
}

/// A sample is handed out when it is as old as the delay, not before, and is what the truth was then.
#[test]
fn delayed_samples() {
    let mut scenario = turning();
    (scenario.sensors.attitude_delay_s, scenario.sensors.rate_delay_s) = (0.15, 0.15);
    let mut truth = truth(&scenario);
    let mut sensors = Sensors::new(&scenario);
    sensors.take(&truth);
    assert_eq!(newest(&mut sensors, 0.1), None, "too young");
    let mut past = vec![];
    for n in 1..=50 {
        truth.advance_to(f64::from(n) * 0.1);
        sensors.take(&truth);
        past.push((truth.time_s(), truth.attitude_xyzw()));
        let got = newest(&mut sensors, truth.time_s() + 0.05);
        // Sampled 0.1 s ago: 0.15 s old when handed out.
        let want = (n > 1).then(|| past[n as usize - 2]);
        assert_eq!(got.filter(|sample| sample.time_s > 0.0).map(|m| (m.time_s, m.attitude_xyzw)), want);
    }
}

/// Each sensor has its own delay: what comes in at 1 s was measured at 0.7 s by the one, at 0.9 s by the other.
#[test]
fn attitude_and_rate_with_different_delays() {
    let mut scenario = turning();
    (scenario.sensors.attitude_delay_s, scenario.sensors.rate_delay_s) = (0.3, 0.1);
    scenario.vehicle.bodies[0].inertia_kg_m2 = diagonal([80.0, 100.0, 120.0]);
    let mut truth = truth(&scenario);
    let mut sensors = Sensors::new(&scenario);
    assert_eq!((sensors.newest_attitude(0.0), sensors.newest_rate(0.0)), (None, None));
    truth.advance_to(0.7);
    sensors.take_attitude(&truth);
    let attitude = truth.attitude_xyzw();
    truth.advance_to(0.9);
    sensors.take_rate(&truth);
    let rate = truth.rate_rad_s();
    assert_eq!((sensors.newest_attitude(0.99), sensors.newest_rate(0.99)), (None, None));
    let (seen, felt) = (sensors.newest_attitude(1.0).unwrap(), sensors.newest_rate(1.0).unwrap());
    assert_eq!((seen.time_s, seen.value), (0.7, attitude));
    assert_eq!((felt.time_s, felt.value), (0.9, rate));
}

fn sigma(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let count = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / count;
    (mean, (values.map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt())
}

/// Noise has the stated sigma about each axis, the bias is what the mean is off by; four-sigma bounds of the
/// sample mean and of the sample sigma (Gauss).
#[test]
fn noise_and_bias() {
    const COUNT: u32 = 2000;
    let noisy = |seed: u64| {
        let mut scenario = turning();
        scenario.seed = seed;
        scenario.sensors.attitude_noise_rad = 1e-4;
        scenario.sensors.rate_noise_rad_s = 2e-5;
        scenario.sensors.rate_bias_rad_s = [1e-5, -2e-5, 3e-5];
        samples(&scenario, COUNT)
    };
    let (clean, noisy_samples) = (samples(&turning(), COUNT), noisy(1));
    let pairs = || clean.iter().zip(&noisy_samples);
    for axis in 0..3 {
        // Vector part of measured ⊗ true*: half the error about the body axis.
        let error = |(truth, seen): (&Measurement, &Measurement)| {
            let ([a, b, c, w], t) = (seen.attitude_xyzw, truth.attitude_xyzw);
            let (v, u) = ([a, b, c], [t[0], t[1], t[2]]);
            let (j, k) = ((axis + 1) % 3, (axis + 2) % 3);
            2.0 * (v[axis] * t[3] - w * u[axis] - (v[j] * u[k] - v[k] * u[j]))
        };
        let (mean, spread) = sigma(pairs().map(error));
        let scale = 4.0 / f64::from(COUNT).sqrt();
        near("attitude mean", [mean], [0.0], scale * 1e-4).unwrap();
        near("attitude sigma", [spread], [1e-4], scale * 1e-4 / 2_f64.sqrt()).unwrap();
        let off =
            |(truth, seen): (&Measurement, &Measurement)| seen.rate_rad_s[axis] - truth.rate_rad_s[axis];
        let (mean, spread) = sigma(pairs().map(off));
        near("rate bias", [mean], [[1e-5, -2e-5, 3e-5][axis]], scale * 2e-5).unwrap();
        near("rate sigma", [spread], [2e-5], scale * 2e-5 / 2_f64.sqrt()).unwrap();
        near("sabotaged bias", [mean], [[-1e-5, 2e-5, -3e-5][axis]], scale * 2e-5).unwrap_err();
    }
    assert_eq!(noisy_samples, noisy(1), "the seed decides");
    assert_ne!(noisy_samples, noisy(2));
}

/// Silencing one source leaves the draws of the other as they were.
#[test]
fn streams_do_not_mix() {
    let mut scenario = turning();
    scenario.sensors.rate_noise_rad_s = 1e-5;
    let alone: Vec<_> = samples(&scenario, 10).iter().map(|sample| sample.rate_rad_s).collect();
    scenario.sensors.attitude_noise_rad = 1e-4;
    let together: Vec<_> = samples(&scenario, 10).iter().map(|sample| sample.rate_rad_s).collect();
    assert_eq!(alone, together);
}

/// Quantised figures are whole numbers of quanta and at most half a quantum off.
#[test]
fn quantisation() {
    let mut scenario = turning();
    scenario.sensors.rate_quantum_rad_s = 1e-3 / 3.0;
    scenario.sensors.attitude_quantum_rad = 1e-4;
    for (coarse, fine) in samples(&scenario, 50).iter().zip(samples(&turning(), 50)) {
        for (rate, exact) in coarse.rate_rad_s.iter().zip(fine.rate_rad_s) {
            let quanta = rate / scenario.sensors.rate_quantum_rad_s;
            near("whole quanta", [quanta], [quanta.round()], 1e-9).unwrap();
            near("within half", [*rate], [exact], 0.5001 * scenario.sensors.rate_quantum_rad_s).unwrap();
        }
        let off = worst(coarse.attitude_xyzw, fine.attitude_xyzw);
        assert!(off < 0.51 * 0.5e-4 * 2_f64.sqrt() && off > 0.0, "{off}");
        let length = coarse.attitude_xyzw.iter().map(|x| x * x).sum::<f64>();
        near("length", [length], [1.0], 1e-14).unwrap();
    }
}
