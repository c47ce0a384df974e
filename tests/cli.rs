//! The program's words, exit codes, files and messages, in this process.
mod handmade;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use serde_json::Value;
use stackhold_harness::cli::{Console, main_with_args, main_with_writers};
use stackhold_harness::metrics::measure;
use stackhold_harness::scenario::model::Interface;
use stackhold_harness::scenario::{FIGURES, library, library_vehicles};

/// Exit code, output, error output.
fn stackhold(words: &[&str]) -> (i32, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code = main_with_writers(["stackhold"].iter().chain(words), &mut out, &mut err);
    (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

fn json(words: &[&str]) -> (i32, Value) {
    let (code, out, err) = stackhold(words);
    (code, serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {out} {err}")))
}

/// A fresh folder of this test.
fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cli").join(name);
    let _ = fs::remove_dir_all(&path);
    path
}

/// A short scenario file made from the library's docked hold, with its requirements replaced.
fn short_scenario(name: &str, requirements: &str) -> String {
    let (_, text) = library().iter().find(|(known, _)| *known == "docked_hold").unwrap();
    let text = text.replace("\"servicing_tug.toml\"", "\"library:servicing_tug.toml\"");
    let head =
        text.split("[[requirement]]").next().unwrap().replace("duration_s = 7200.0", "duration_s = 900.0");
    let variants = text.split_once("[[variant]]").unwrap().1;
    let path = folder(name);
    fs::create_dir_all(&path).unwrap();
    let file = path.join("short.toml");
    fs::write(&file, format!("{head}{requirements}[[variant]]{variants}")).unwrap();
    file.to_str().unwrap().to_owned()
}

const LOOSE: &str = "[[requirement]]\nfigure = \"worst_axis_error_deg\"\nat_most = 0.6\n";
const IMPOSSIBLE: &str = "[[requirement]]\nfigure = \"propellant_kg\"\nat_most = 1e-9\n";

#[test]
fn a_run_met_exits_0_and_says_so_first() {
    let file = short_scenario("met", LOOSE);
    let (code, out, err) = stackhold(&["run", &file]);
    assert_eq!((code, err.as_str()), (0, ""));
    let mut lines = out.lines();
    assert!(lines.next().unwrap().starts_with("MET "), "{out}");
    assert!(lines.next().unwrap().starts_with("Held within "), "{out}");
    assert!(out.contains("Caution:") && out.contains("Next: stackhold run"));
    assert!(!out.contains('\u{1b}'), "no colour without a terminal");
}

/// Paced by the wall clock a flight takes the time it simulates, sleeps through it, and ends with the figures it
/// has otherwise.
#[test]
fn a_rehearsal_takes_its_time() {
    let file = short_scenario("rehearsal", LOOSE);
    let text = fs::read_to_string(&file).unwrap().replace("duration_s = 900.0", "duration_s = 2.4");
    // Without the vent, which starts after the end.
    let (head, rest) = text.split_once("[[disturbance]]").unwrap();
    fs::write(&file, format!("{head}[sensors]{}", rest.split_once("[sensors]").unwrap().1)).unwrap();
    let began = Instant::now();
    let (code, mut paced) = json(&["run", &file, "--real-time", "--json"]);
    let took = began.elapsed().as_secs_f64();
    assert_eq!(code, 0);
    assert!(took >= 2.4, "{took} s");
    assert_eq!(paced["variants"], serde_json::json!([]), "one flight alone");
    let (_, mut own) = json(&["run", &file, "--json"]);
    assert!(own["wall_s"].as_f64() < paced["wall_s"].as_f64(), "{own}");
    for summary in [&mut paced, &mut own] {
        let fields = summary.as_object_mut().unwrap();
        for key in ["wall_s", "simulated_over_wall", "variants", "command"] {
            assert!(fields.remove(key).is_some(), "{key}");
        }
    }
    assert_eq!(paced, own);
    let (code, _, err) = stackhold(&["run", &file, "--real-time", "--certificates", "nowhere"]);
    assert_eq!(code, 2, "{err}");
}

#[test]
fn a_run_missed_exits_1() {
    let file = short_scenario("missed", IMPOSSIBLE);
    let (code, out, _) = stackhold(&["run", &file]);
    assert_eq!(code, 1);
    assert!(out.starts_with("MISSED ") && out.contains("1 of 1 requirements missed"), "{out}");
    let (code, summary) = json(&["run", &file, "--json"]);
    assert_eq!((code, summary["verdict"].as_str()), (1, Some("missed")));
    let requirement = &summary["requirements"][0];
    assert_eq!(requirement["met"], false);
    assert!(requirement["margin"].as_f64().unwrap() < 0.0);
}

#[test]
fn what_cannot_run_exits_2_with_the_reason() {
    let (code, out, err) = stackhold(&["run", "no_such_scenario"]);
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(err.contains("no_such_scenario") && err.contains("docked_hold"), "{err}");
    let file = short_scenario("typo", "[[requirement]]\nfigure = \"propellant_kilos\"\nat_most = 1\n");
    let (code, _, err) = stackhold(&["run", &file]);
    assert_eq!(code, 2);
    assert!(err.contains("short.toml") && err.contains("propellant_kilos"), "{err}");
    let (code, _, err) = stackhold(&["fly"]);
    assert_eq!(code, 2);
    assert!(err.contains("fly"), "{err}");
}

#[test]
fn an_output_folder_that_cannot_be_made_fails_before_the_flight() {
    let file = short_scenario("blocked", LOOSE);
    let blocked = format!("{file}/out");
    let (code, out, err) = stackhold(&["run", &file, "--out", &blocked]);
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(err.contains("output folder") && err.contains("because:"), "{err}");
}

#[test]
fn a_run_writes_its_four_files_and_those_of_its_variants() {
    let file = short_scenario("files", LOOSE);
    let out = folder("files_out");
    let (code, printed) = json(&["run", &file, "--json", "--out", out.to_str().unwrap()]);
    assert_eq!(code, 0);
    let read = |name: &str| fs::read_to_string(out.join(name)).unwrap();
    let summary: Value = serde_json::from_str(&read("summary.json")).unwrap();
    assert_eq!(summary, printed);
    for key in [
        "verdict",
        "requirements",
        "propellant_kg",
        "propellant_bound_kg",
        "worst_axis_error_deg",
        "selections_checked",
        "worst_optimality_gap",
        "seed",
        "table_identity",
        "command_hash",
        "versions",
    ] {
        assert!(!summary[key].is_null(), "{key}");
    }
    // Every cycle is in the states, every edge in the valves, and what identifies the flight on top.
    let states = read("states.csv");
    assert_eq!(states.lines().count(), 1 + 3750, "900 s of cycles of 0.24 s and the header");
    assert!(states.starts_with("time_s,attitude_x,"));
    let valves = read("valves.csv");
    let comments: Vec<&str> = valves.lines().filter(|line| line.starts_with('#')).collect();
    let identity = format!("# table_identity: {}", summary["table_identity"].as_str().unwrap());
    assert!(comments.contains(&"# seed: 1") && comments.contains(&identity.as_str()), "{comments:?}");
    // Valves start shut: every jet's first edge opens, and open and closed take turns.
    let mut stands_open = std::collections::BTreeMap::new();
    for edge in valves.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let cells: Vec<&str> = edge.split(',').collect();
        let before = stands_open.insert(cells[1], cells[2] == "open").unwrap_or(false);
        assert_ne!(before, cells[2] == "open", "{edge}");
    }
    let opened = valves.lines().filter(|line| line.contains(",open,")).count();
    assert_eq!(summary["valve_cycles_total"].as_f64(), Some(opened as f64));
    let report = read("report.html");
    assert!(report.contains("<svg") && report.contains("docked"));
    for variant in summary["variants"].as_array().unwrap() {
        let name = variant["flight"].as_str().unwrap();
        for kind in ["summary.json", "states.csv", "valves.csv"] {
            assert!(out.join(name).join(kind).is_file(), "{name}/{kind}");
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_summary_and_another_seed_another() {
    let file = short_scenario("seeds", LOOSE);
    let told = |seed: &str| {
        let mut summary = json(&["run", &file, "--json", "--seed", seed]).1;
        // Wall time is the one thing that may differ; and variants carry their own.
        for key in ["wall_s", "simulated_over_wall", "variants"] {
            summary.as_object_mut().unwrap().remove(key);
        }
        summary
    };
    assert_eq!(told("5"), told("5"));
    assert_ne!(told("5")["command_hash"], told("6")["command_hash"]);
}

#[test]
fn the_verdict_is_that_of_the_own_flight() {
    let file = short_scenario("own", LOOSE);
    let (code, summary) = json(&["run", &file, "--json"]);
    assert_eq!((code, summary["flight"].as_str()), (0, Some("told_truth")));
    let bare =
        summary["variants"].as_array().unwrap().iter().find(|v| v["flight"] == "told_bare_tug").unwrap();
    // The old practice does not hold this stack.
    assert_eq!(bare["verdict"], "missed");
}

/// The cheapest option leads, and what another is better at is said beside it; what is not there is not better.
#[test]
fn compare_says_what_other_options_are_better_at() {
    let (_, out, _) = stackhold(&["compare", "docked_hold"]);
    let sentence = out.lines().next().unwrap();
    assert!(sentence.starts_with("told_truth meets its requirements for 0.029"), "{sentence}");
    assert!(sentence.contains("; stage_released loads the grapple less: 18.9"), "{sentence}");
    assert!(!sentence.contains("stage clamp"), "the clamp has gone with the stage: {sentence}");
}

#[test]
fn compare_says_one_plain_sentence() {
    let met = short_scenario("compare_met", LOOSE);
    let missed = short_scenario("compare_missed", IMPOSSIBLE);
    let (code, out, _) = stackhold(&["compare", &met]);
    assert_eq!(code, 1, "a variant misses");
    assert!(out.lines().next().unwrap().contains("meets its requirements for"), "{out}");
    assert!(out.contains("told_bare_tug"));
    let (code, summary) = json(&["compare", &met, &missed, "--json", "--seed", "3"]);
    assert_eq!(code, 1);
    assert_eq!(summary["options"].as_array().unwrap().len(), 2);
    assert!(summary["sentence"].as_str().unwrap().contains("only option"));
    assert!(summary["differences"][0].as_str().unwrap().contains("requirements"));
    for option in summary["options"].as_array().unwrap() {
        assert_eq!(option["summary"]["seed"], 3);
    }
    let out = folder("compare_out");
    let (code, _, _) = stackhold(&["compare", &met, &met, "--out", out.to_str().unwrap()]);
    assert_eq!(code, 0);
    assert!(out.join("report.html").is_file() && out.join("summary.json").is_file());
    let (_, text, _) = stackhold(&["compare", &missed, &missed]);
    assert!(text.starts_with("No option meets its requirements"), "{text}");
}

#[test]
fn select_takes_negative_numbers_and_proves_its_answer() {
    let words = ["select", "docked_hold", "--angular-impulse", "-5,20,-7.5", "--json"];
    let (code, answer) = json(&words);
    assert_eq!(
        (code, answer["outcome"].as_str(), answer["proven"].as_bool()),
        (0, Some("delivered"), Some(true))
    );
    let delivered: Vec<f64> = answer["delivered"]["angular_impulse_n_m_s"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect();
    for (got, asked) in delivered.iter().zip([-5.0, 20.0, -7.5]) {
        assert!((got - asked).abs() < 2e-3, "{delivered:?}");
    }
    let with_force = json(&[
        "select",
        "docked_hold",
        "--angular-impulse",
        "-5,20,-7.5",
        "--linear-impulse",
        "-1,0,3",
        "--json",
    ])
    .1;
    assert!(with_force["propellant_kg"].as_f64() > answer["propellant_kg"].as_f64());
    let (code, text, _) = stackhold(&words[..4]);
    assert_eq!(code, 0);
    assert!(text.contains("proven least") && text.contains("valve open s"), "{text}");
    for wrong in ["1,2", "1,2,x", "1,2,inf", ""] {
        let (code, _, err) = stackhold(&["select", "docked_hold", "--angular-impulse", wrong]);
        assert_eq!(code, 2, "{wrong:?}");
        assert!(err.contains("angular-impulse"), "{err}");
    }
}

#[test]
fn authority_speaks_text_and_json() {
    let (code, text, _) = stackhold(&["authority", "docked_hold"]);
    assert_eq!(code, 0);
    for heading in ["Mass properties", "Jets about the actual centre of mass", "If one jet fails"] {
        assert!(text.contains(heading), "{text}");
    }
    let out = folder("authority_out");
    let (_, found) = json(&["authority", "docked_hold", "--json", "--out", out.to_str().unwrap()]);
    let written = fs::read_to_string(out.join("summary.json")).unwrap();
    assert_eq!(serde_json::from_str::<Value>(&written).unwrap(), found);
    // What the demonstration promises: shift, products of inertia, a reversed jet, a fatal failure.
    let number = |value: &Value| value.as_f64().unwrap();
    let shift = &found["centre_of_mass_shift_m"];
    assert!(number(&shift[0]).abs() >= 3.0 && number(&shift[1]).hypot(number(&shift[2])) >= 0.3, "{shift}");
    assert!(number(&found["largest_product_over_smallest_moment"]) >= 0.1);
    let any = |list: &str, key: &str| {
        found[list].as_array().unwrap().iter().any(|entry| !entry[key].as_array().unwrap().is_empty())
    };
    assert!(any("jets", "sign_changed") && any("failures", "axes_lost"));
    assert_eq!(found["axes"].as_array().unwrap().len(), 6);
    // The main engine, TOML and hand: the centre of mass is 4.426 m ahead of the pivot, 0.658 m left, 0.210 m below.
    assert!(
        text.contains("gimbal at 2.722 deg about its first axis and 8.445 deg about its second"),
        "{text}"
    );
    assert!(
        text.contains("With its gimbal stuck at zero, 290.1 N m are left over: the jets CANNOT carry it"),
        "{text}"
    );
    let engine = &found["engine"];
    assert!((number(&engine["trim_deg"][0]) - f64::atan2(0.210_432, 4.426_459).to_degrees()).abs() < 1e-4);
    assert_eq!(engine["cases"][1]["gimbal"], "stuck_at_zero");
    assert!(
        engine["cases"][1]["jets_flow_kg_s"].is_null()
            && number(&engine["cases"][1]["seconds_to_limit"]) > 0.0
    );
    // The weakest axis is told in a sentence, and is the smallest of the list.
    assert!(text.contains("turns the wrong way once the centre of mass lies more than"), "{text}");
    let margins = &found["sign_margins"];
    let healthy = margins["healthy"].as_array().unwrap().iter().map(|axis| number(&axis["margin_m"]));
    assert_eq!(healthy.fold(f64::INFINITY, f64::min), number(&margins["weakest"]["margin_m"]));
    assert_eq!(margins["failures"].as_array().unwrap().len(), found["failures"].as_array().unwrap().len());
}

/// A variant's stack is that of its flight: the released stage's mass has gone, and its clamp carries nothing.
#[test]
fn authority_and_select_speak_of_a_variant() {
    let variant = ["--variant", "stage_released"];
    let (code, text, _) = stackhold(&["authority", "docked_hold", variant[0], variant[1]]);
    assert_eq!(code, 0);
    assert!(text.starts_with("docked_hold_stage_released: "), "{text}");
    assert!(text.contains("Next: stackhold select docked_hold --variant stage_released"), "{text}");
    let (_, found) = json(&["authority", "docked_hold", "--json", variant[0], variant[1]]);
    assert_eq!((&found["actual"]["mass_kg"], &found["told"]["mass_kg"]), (&2800.0.into(), &2800.0.into()));
    let interfaces = found["interfaces"].as_array().unwrap();
    assert_eq!((interfaces.len(), &interfaces[0]["interface"]), (1, &"grapple".into()));
    let (_, told) = json(&["authority", "docked_hold", "--json", "--variant", "told_bare_tug"]);
    assert_eq!((&told["actual"]["mass_kg"], &told["told"]["mass_kg"]), (&3700.0.into(), &1100.0.into()));
    let select = ["select", "docked_hold", "--angular-impulse", "0,30,-5", "--json"];
    let (_, own) = json(&select);
    let (_, released) = json(&[&select[..], &variant[..]].concat());
    assert_ne!(own["propellant_kg"], released["propellant_kg"]);
    let (code, _, err) = stackhold(&["authority", "docked_hold", "--variant", "stage_gone"]);
    assert_eq!(code, 2);
    assert!(
        err.contains("no variant \"stage_gone\": right would be one of told_bare_tug, stage_released"),
        "{err}"
    );
}

#[test]
fn authority_shows_plumes_that_strike() {
    let find =
        |list: &[(&'static str, &'static str)], name: &str| list.iter().find(|(n, _)| *n == name).unwrap().1;
    let folder = folder("authority_plume");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("scenario.toml"), find(library(), "docked_hold")).unwrap();
    let plume = "[jet.plume]\nbody = \"client\"\ndistance_m = 2.0\nlost_share = 0.25\n\n[[jet]]\nname = \"aft_left_plus_z\"";
    let vehicle = find(library_vehicles(), "servicing_tug");
    let struck = vehicle.replacen("[[jet]]\nname = \"aft_left_plus_z\"", plume, 1);
    assert_ne!(struck, vehicle);
    fs::write(folder.join("servicing_tug.toml"), struck).unwrap();
    let file = folder.join("scenario.toml");
    let (code, text, _) = stackhold(&["authority", file.to_str().unwrap()]);
    assert_eq!(code, 0);
    let (_, after) = text.split_once("Plumes that strike the stack").expect("a table of plumes");
    let row = after.lines().nth(2).unwrap();
    assert!(row.contains("aft_low_plus_y") && row.contains("client") && row.contains("75 %"), "{row}");
    let (_, found) = json(&["authority", file.to_str().unwrap(), "--json"]);
    let jets = found["jets"].as_array().unwrap();
    let jet = jets.iter().find(|jet| jet["jet"] == "aft_low_plus_y").unwrap();
    assert!((jet["force_n"][1].as_f64().unwrap() - 16.5).abs() < 1e-9, "{jet}");
    assert_eq!(jets.iter().filter(|jet| !jet["plume"].is_null()).count(), 1);
}

#[test]
fn help_and_version_are_answers_not_errors() {
    let (code, out, err) = stackhold(&["--help"]);
    assert_eq!((code, err.as_str()), (0, ""));
    for word in ["run", "authority", "select", "compare", "--json", "--out", "Exit code"] {
        assert!(out.contains(word), "{word}");
    }
    assert_eq!(stackhold(&["--version"]).0, 0);
}

#[test]
fn colour_only_where_the_terminal_wants_it() {
    let file = short_scenario("colour", LOOSE);
    let coloured = |terminal: bool, wanted: bool| {
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let mut console = Console::terminal(&mut out, &mut err, terminal, false, wanted);
        main_with_args(["stackhold", "run", file.as_str()], &mut console);
        String::from_utf8(out).unwrap().contains('\u{1b}')
    };
    assert!(coloured(true, true));
    assert!(!coloured(true, false) && !coloured(false, true));
}

#[test]
fn a_closed_pipe_does_not_change_the_verdict() {
    struct Closed;
    impl std::io::Write for Closed {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::BrokenPipe.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let file = short_scenario("pipe", IMPOSSIBLE);
    let mut err = Vec::new();
    assert_eq!(main_with_writers(["stackhold", "run", file.as_str()], &mut Closed, &mut err), 1);
    assert!(err.is_empty());
}

#[test]
fn every_figure_a_requirement_may_name_is_a_figure_of_every_run() {
    let mut scenario = handmade::jet_1_docked(10.0);
    let far_side = vec!["absent".to_owned()];
    scenario.vehicle.interfaces = vec![Interface { name: "joint".into(), position_m: [0.0; 3], far_side }];
    let rows = (0..100).map(|k| handmade::row(f64::from(k) * 0.1, [0.0; 3], [0.0; 3])).collect();
    let record = handmade::record(&scenario, rows);
    let metrics = measure(&scenario, &scenario.stack, &record).unwrap();
    let known: Vec<&str> = metrics.figures.iter().map(|(key, _)| key).collect();
    for figure in FIGURES {
        for axis in ["x", "y", "z"] {
            let name = figure.name.replace("{axis}", axis).replace("{interface}", "joint");
            assert!(known.contains(&name.as_str()), "{name} is offered to requirements and never measured");
        }
    }
}
