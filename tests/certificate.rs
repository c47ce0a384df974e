//! Certificates against a checker in another language with exact rational arithmetic, and the checker against
//! certificates that were tampered with.
mod selection_layouts;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use selection_layouts::one_sided_yaw;
use serde_json::{Map, Value, json};
use stackhold_harness::bound::propellant_bound;
use stackhold_harness::certificate::{SelectionCertificate, bound_certificate};
use stackhold_harness::cli::main_with_writers;
use stackhold_harness::closed_loop::fly;
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::{DEMO, load_embedded};
use stackhold_harness::truth::Truth;
use stackhold_kernel::selection::{Demand, Outcome, Selection, select};

/// A fresh folder of this test.
fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("certificate").join(name);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}

/// Exit code and words of the checker; `None` where there is no python3.
fn checked(path: &Path) -> Option<(i32, String)> {
    let checker = Path::new(env!("CARGO_MANIFEST_DIR")).join("certificates/check.py");
    match Command::new("python3").arg(checker).arg(path).output() {
        Ok(done) => {
            let words =
                format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
            Some((done.status.code().unwrap_or(-1), words))
        }
        Err(error) => {
            // .ci/run makes sure of python3.
            eprintln!("SKIPPED: python3 cannot be run: {error}");
            None
        }
    }
}

fn stackhold(words: &[&str]) -> (i32, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code = main_with_writers(["stackhold"].iter().chain(words), &mut out, &mut err);
    (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

fn read(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn runs_are_confirmed_by_the_checker() {
    // A hold that selects often, and a firing that takes more than a cycle.
    for (scenario, least, said) in
        [("docked_hold", 20, "delivered, all of"), ("one_axis_firing_roll", 3, "shortened, lambda")]
    {
        let place = folder(scenario).join("new");
        let (code, out, err) = stackhold(&["run", scenario, "--certificates", place.to_str().unwrap()]);
        assert_eq!(code, 0, "{out}{err}");
        assert!(out.contains("to confirm: python3"), "{out}");
        let Some((code, words)) = checked(&place) else { return };
        assert_eq!(code, 0, "{words}");
        assert!(words.contains("no firing for less than") && words.contains(said), "{words}");
        assert!(words.lines().count() > least, "{words}");
        // A folder that holds something is not written into.
        let (code, _, err) = stackhold(&["run", scenario, "--certificates", place.to_str().unwrap()]);
        assert!(code != 0 && err.contains("not empty"), "{err}");
    }
}

/// A burn off the centre of mass out of a tank that moves it, jets beside it: what the engine turned and drew is taken into
/// account, and what the jets had to do is proven. Without the engine's part nothing closes.
#[test]
fn a_burn_is_accounted_for() {
    let mut scenario = load_embedded(DEMO).unwrap();
    scenario.disturbances.clear();
    scenario.duration_s = 1.0;
    let quiet = fly(&scenario, &scenario.stack, &scenario.told, "quiet", &mut |_| {}).unwrap();
    let mut truth = Truth::new(&scenario, &scenario.stack).unwrap();
    truth.command_gimbal([0.05, 0.145], 0.0).unwrap();
    let (arms, centre) = (truth.arms_m(), truth.mass_properties().centre_of_mass_m);
    truth.command_engine(true, 1.0).unwrap();
    truth.command_engine(false, 41.0).unwrap();
    truth.command_valve(9, true, 2.0).unwrap();
    truth.command_valve(9, false, 6.0).unwrap();
    truth.command_valve(5, true, 3.0).unwrap();
    truth.command_valve(5, false, 12.0).unwrap();
    truth.advance_to(60.0);
    let record = RunRecord {
        jets: truth.jet_totals(),
        engine: truth.engine_record(),
        impulse: truth.impulse_account(),
        centre_of_mass_m: [centre, truth.mass_properties().centre_of_mass_m],
        arms_m: [arms, truth.arms_m()],
        ..quiet
    };
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    let used: f64 = record.jets.iter().map(|jet| jet.propellant_kg).sum();
    assert!(bound.proven, "{:?}", bound.doubts);
    assert!(bound.value_kg > 0.2 * used && bound.value_kg <= used, "{} of {used}", bound.value_kg);
    for forget in [true, false] {
        let mut forgetful = record.clone();
        match forget {
            true => forgetful.impulse.engine_n_m_s = [0.0; 3],
            false => forgetful.engine.propellant_kg = 0.0,
        }
        assert!(!propellant_bound(&scenario, &scenario.stack, &forgetful).unwrap().proven);
    }
    let told = bound_certificate(&scenario, &scenario.stack, &record, &bound, &Map::new());
    let place = folder("burn");
    fs::write(place.join("bound.json"), told.to_string()).unwrap();
    let Some((code, words)) = checked(&place.join("bound.json")) else { return };
    assert_eq!(code, 0, "{words}");
    let mut silent = told.clone();
    silent["tanks"][1].as_object_mut().unwrap().remove("engine_kg").expect("what the engine drew");
    assert_refused(&place, &silent, "centre of mass");
}

/// Every number of a certificate at a path, changed a little; `change` maps the old value.
fn tampered(told: &Value, path: &str, change: impl Fn(f64) -> f64) -> Value {
    let mut other = told.clone();
    let place = other.pointer_mut(path).unwrap_or_else(|| panic!("no {path}"));
    let old: f64 = place.as_str().unwrap().parse().unwrap();
    *place = json!(format!("{:e}", change(old)));
    other
}

/// The checker refuses `told` with words that name `claim`.
fn assert_refused(place: &Path, told: &Value, claim: &str) {
    let file = place.join("tampered.json");
    fs::write(&file, told.to_string()).unwrap();
    let Some((code, words)) = checked(&file) else { return };
    assert!(code == 1 && words.contains("REFUSED") && words.contains(claim), "{claim}: {code} {words}");
}

/// A certificate of one selection by the command, as read back.
fn of_select(place: &Path, name: &str, within_s: &str, impulse: &str) -> Value {
    let file = place.join(name);
    let path = file.to_str().unwrap();
    let asked = ["select", "docked_hold", "--angular-impulse", impulse, "--within-s", within_s];
    let (code, out, err) = stackhold(&[&asked[..], &["--certificate", path]].concat());
    assert_eq!(code, 0, "{out}{err}");
    if let Some((code, words)) = checked(&file) {
        assert_eq!(code, 0, "{words}");
    }
    // A file that is there is not written over.
    let (code, _, err) = stackhold(&[&asked[..], &["--certificate", path]].concat());
    assert!(code != 0 && err.contains("exists already"), "{err}");
    read(&file)
}

#[test]
fn a_tampered_selection_is_refused() {
    let place = folder("select");
    let told = of_select(&place, "whole.json", "60", "30,-20,40");
    let firing = (0..16)
        .find(|jet| told.pointer(&format!("/jets/{jet}/on_time_s")).unwrap().as_str() != Some("0"))
        .unwrap();
    let on_time = format!("/jets/{firing}/on_time_s");
    assert_refused(&place, &tampered(&told, &on_time, |t| 1.01 * t), "not what the on-times cost");
    assert_refused(&place, &tampered(&told, &on_time, |t| -t), "on-times");
    assert_refused(&place, &tampered(&told, &format!("/jets/{firing}/limit_s"), |_| 1.0e-6), "on-times");
    assert_refused(&place, &tampered(&told, &format!("/jets/{firing}/price_kg_s"), |p| 1.01 * p), "price");
    assert_refused(&place, &tampered(&told, "/claims/lambda", |l| 0.9 * l), "delivered");
    assert_refused(&place, &tampered(&told, "/claims/price_kg", |p| 0.99 * p), "price");
    assert_refused(&place, &tampered(&told, "/claims/achieved/turn_rad_s/0", |a| 1.01 * a), "achieved");
    assert_refused(&place, &tampered(&told, "/claims/multipliers/turn_kg_s_per_rad/1", |y| 1.2 * y), "price");
    assert_refused(&place, &tampered(&told, "/demand/low/turn_rad_s/2", |b| 1.01 * b), "re");
    assert_refused(&place, &tampered(&told, "/rules/slack", |_| 0.1), "rules");
    let mut other = told.clone();
    *other.pointer_mut(&format!("/jets/{firing}/usable")).unwrap() = json!(false);
    assert_refused(&place, &other, "may not fire");
}

#[test]
fn a_tampered_share_is_refused() {
    let place = folder("share");
    let told = of_select(&place, "short.json", "0.24", "0,200,0");
    assert_eq!(told.pointer("/claims/outcome").unwrap(), "shortened");
    assert_refused(&place, &tampered(&told, "/claims/lambda", |l| 1.001 * l), "delivered");
    assert_refused(&place, &tampered(&told, "/claims/reach_multipliers/turn_s_per_rad/1", |_| 0.0), "lambda");
}

#[test]
fn a_tampered_bound_is_refused() {
    let place = folder("bound");
    let flown = place.join("flown");
    let (code, out, err) =
        stackhold(&["run", "one_axis_firing_yaw", "--certificates", flown.to_str().unwrap()]);
    assert_eq!(code, 0, "{out}{err}");
    let mut found = Vec::new();
    let mut places = vec![flown];
    while let Some(path) = places.pop() {
        if path.is_dir() {
            places.extend(fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path()));
        } else {
            found.extend(Some(read(&path)).filter(|told| told["certificate"] == "propellant_bound"));
        }
    }
    let told = found.first().expect("a bound");
    assert_refused(&place, &tampered(told, "/claims/bound_kg", |b| 1.001 * b), "bound");
    assert_refused(&place, &tampered(told, "/claims/propellant_kg", |b| 1.001 * b), "propellant");
    assert_refused(&place, &tampered(told, "/multipliers_kg_per_n_m_s/2", |y| 1.1 * y), "bound");
    assert_refused(&place, &tampered(told, "/impulse/jets_n_m_s/2", |x| 1.1 * x), "impulse");
}

#[test]
fn a_lost_axis_is_confirmed_and_a_false_loss_is_not() {
    let place = folder("lost");
    let layout = one_sided_yaw();
    let demand = Demand::point([0.3, -0.4, -0.5]);
    let problem = layout.problem(&demand);
    let answer: Selection<3, 8> = select(&problem);
    assert_eq!(answer.outcome, Outcome::Prioritised);
    let names: Vec<String> = (0..6).map(|jet| format!("jet_{jet}")).collect();
    let told = SelectionCertificate::new(&problem, &answer).json(&Map::new(), &names);
    let file = place.join("lost.json");
    fs::write(&file, told.to_string()).unwrap();
    let Some((code, words)) = checked(&file) else { return };
    assert!(code == 0 && words.contains("direction proven lost"), "{words}");
    assert_refused(&place, &tampered(&told, "/claims/reach_multipliers/turn_s_per_rad/2", |_| 0.0), "lambda");
    // The same claim where a jet could do it.
    assert_refused(&place, &tampered(&told, "/jets/4/column/turn_rad_s2/2", |_| -1.0), "lambda");
}
