//! Numbers, units and names as people read them.

use crate::held::Kept;
use crate::units;

/// Names of the body axes with the turn about each.
pub const AXES: [&str; 3] = ["roll, about x", "pitch, about y", "yaw, about z"];

/// Short names of the turns about the body axes.
pub const TURNS: [&str; 3] = ["roll", "pitch", "yaw"];

/// What a limit is called; `held` while an attitude is held within it.
pub fn limit(kept: Kept, held: &str) -> &str {
    if kept == Kept::Watched { "wakes beyond" } else { held }
}

/// A `snake_case` name as words.
pub fn plain(name: &str) -> String {
    name.replace('_', " ")
}

/// The same with a capital first letter.
pub fn title(name: &str) -> String {
    let words = plain(name);
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A number to four significant digits, a true minus sign, and a power of ten when it needs one.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return "not a number".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let size = value.abs();
    if value.fract() == 0.0 && size < 1e7 {
        return signed(&format!("{value:.0}"));
    }
    if !(1e-3..1e5).contains(&size) {
        return scientific(value);
    }
    // The exponent after rounding: 9.99996 has four significant digits as 10.00.
    let exponent = exponent_of(&format!("{size:.3e}"));
    let decimals = usize::try_from(3 - exponent).unwrap_or(0);
    signed(trimmed(&format!("{value:.decimals$}")))
}

/// Without the zeros at the end of its decimals.
fn trimmed(decimal: &str) -> &str {
    if decimal.contains('.') { decimal.trim_end_matches('0').trim_end_matches('.') } else { decimal }
}

fn exponent_of(scientific: &str) -> i32 {
    scientific.split_once('e').and_then(|(_, exponent)| exponent.parse().ok()).unwrap_or(0)
}

fn scientific(value: f64) -> String {
    let text = format!("{value:.3e}");
    let mantissa = text.split_once('e').map_or(text.as_str(), |(mantissa, _)| mantissa);
    let power: String = exponent_of(&text).to_string().chars().map(superscript).collect();
    format!("{}\u{a0}×\u{a0}10{power}", signed(trimmed(mantissa)))
}

fn superscript(letter: char) -> char {
    const DIGITS: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    letter.to_digit(10).and_then(|digit| DIGITS.get(digit as usize).copied()).unwrap_or('⁻')
}

fn signed(text: &str) -> String {
    text.replace('-', "−")
}

/// Three components between brackets.
pub fn vector(components: [f64; 3]) -> String {
    format!("({})", components.map(number).join(", "))
}

/// A rotation vector or rate in degrees.
pub fn degrees(components: [f64; 3]) -> [f64; 3] {
    components.map(f64::to_degrees)
}

/// A length of time in the unit a person would choose.
pub fn time_span(seconds: f64) -> String {
    if seconds < 600.0 {
        return format!("{} s", number(seconds));
    }
    let whole = seconds.round();
    let (hours, minutes, rest) = (whole / 3600.0, whole % 3600.0 / 60.0, whole % 60.0);
    let mut parts = Vec::new();
    for (count, unit) in [(hours.floor(), "h"), (minutes.floor(), "min"), (rest, "s")] {
        if count > 0.0 {
            parts.push(format!("{count:.0} {unit}"));
        }
    }
    format!("{} ({} s)", parts.join(" "), number(seconds))
}

/// Words and unit (empty for a bare number) of a key such as `worst_axis_error_deg`.
pub fn figure(key: &str) -> (String, &'static str) {
    let (stem, unit) = units::split(key);
    (spelled_out(stem), unit.typeset)
}

/// Abbreviations of ECSS-E-ST-60-10C that begin some keys.
const BEGINNINGS: [(&str, &str); 4] = [
    ("ape_", "absolute_performance_error_"),
    ("rpe_", "relative_performance_error_"),
    ("mpe", "mean_performance_error"),
    ("pde", "performance_drift_error"),
];

/// Statistics inside some keys.
const STATISTICS: [(&str, &str); 3] =
    [("error_max", "error,_largest"), ("_99_73_percent", ",_99.73\u{a0}%"), ("_95_percent", ",_95\u{a0}%")];

fn spelled_out(stem: &str) -> String {
    let begun = BEGINNINGS.iter().find_map(|(short, long)| Some((long, stem.strip_prefix(short)?)));
    let mut words = begun.map_or_else(|| stem.to_owned(), |(long, rest)| format!("{long}{rest}"));
    for (short, long) in STATISTICS {
        words = words.replace(short, long);
    }
    title(&words)
}

/// A value with its unit: no space before a degree sign, a space that does not break elsewhere.
pub fn with_unit(value: f64, unit: &str) -> String {
    if unit.is_empty() {
        number(value)
    } else if unit == "°" {
        format!("{}°", number(value))
    } else {
        format!("{}\u{a0}{unit}", number(value))
    }
}

/// A kernel status number in words.
pub fn status(number: u8) -> String {
    let words = match number {
        0 => "quiet",
        1 => "firing",
        2 => "free drift",
        3 => "thinking",
        4 => "rotating, left alone",
        5 => "rotation being set up",
        8 => "rotating about the least axis",
        9 => "woken",
        10 => "demand shortened",
        11 => "axes by priority",
        12 => "attitude predicted",
        13 => "rate missing",
        15 => "rhythm",
        20 => "measurements stale",
        21 => "starting",
        22 => "learning",
        30 => "command refused",
        31 => "axis refused",
        32 => "slew refused",
        33 => "push refused",
        34 => "burn refused",
        40 => "selection failed",
        41 => "no jets",
        _ => "status",
    };
    format!("{number} {words}")
}

/// What a kernel status number means, in a sentence.
pub fn status_meaning(number: u8) -> &'static str {
    match number {
        0 => "within limits, no jet asked for",
        1 => "jets asked for, demand met",
        2 => "free drift commanded, no jet asked for",
        3 => "whole ticks for an open-loop demand, or the path of a slew, being chosen: all jets shut",
        4 => "rotation set up and left alone, no jet asked for",
        5 => "rotation being set up, or set up again",
        8 => "rotation left alone about the axis of least inertia: where energy is lost the stack leaves it",
        9 => "woken: a watched limit was crossed, the attitude is held",
        10 => "demand out of reach: same direction, shortened",
        11 => "an axis is beyond reach: the others served by priority",
        12 => "attitude missing or refused: flown on the prediction",
        13 => "rate missing or refused: flown on the attitude alone",
        15 => "firings keep meeting a told bending mode in step and feed its swing",
        20 => "no measurement young enough, all jets shut",
        21 => "no valid measurement since the start, all jets shut",
        22 => "since the start the rate is not told yet from a swing, all jets shut",
        30 => "command cannot be flown, the last good one goes on",
        31 => "no free axis near enough to turn about, the last good command goes on",
        32 => "the jets cannot turn the stack to the attitude asked for: held where it was",
        33 => "the jets cannot push the stack as asked with its attitude held: held, without the push",
        34 => "the engine cannot be flown as asked: the attitude is held without a burn",
        40 => "no selection that proves itself, all jets shut this cycle",
        41 => "jets are needed, but every jet is disabled or inhibited",
        _ => "see the kernel's list of status numbers",
    }
}
