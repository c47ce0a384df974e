//! `stackhold select`.

use std::path::Path;

use anyhow::Result;

use super::console::Console;
use super::text::{number, percent, table, vector};
use super::{Common, certificates, flights, tell};
use crate::output::Folder;
use crate::select::{Answer, answer_certified};

/// Says which jets fire how long for an impulse.
pub fn select(
    (name, variant): (&str, Option<&str>),
    angular_n_m_s: [f64; 3],
    linear_n_s: Option<[f64; 3]>,
    within_s: Option<f64>,
    certificate: Option<&Path>,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let scenario = flights::load_as(name, variant)?;
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let (found, proof) = answer_certified(&scenario, angular_n_m_s, linear_n_s, within_s)?;
    if let Some(file) = certificate {
        certificates::write_selection(file, &scenario, &proof)?;
    }
    let wrote = certificate.map(|file| certificates::wrote(1, file));
    tell(&found, folder.as_ref(), common, console, show, wrote)
}

fn show(found: &Answer, console: &mut Console<'_>) -> Result<()> {
    let proof = if found.proven {
        format!("proven least to a relative gap of {}", number(found.optimality_gap))
    } else {
        "NOT proven least".to_owned()
    };
    console.line(&format!(
        "{}: {}, {} of the demand, for {} kg ({proof}); on-times up to {} s.",
        found.scenario,
        found.outcome.replace('_', " "),
        percent(found.share),
        number(found.propellant_kg),
        number(found.longest_on_time_s)
    ))?;
    if found.jets.iter().all(|jet| jet.on_ticks == 0) && found.propellant_kg > 0.0 {
        console.line("Too small for the valves: in whole ticks no jet would open.")?;
    }
    if found.translation_spared {
        console.line("Jets are chosen so as to spare translation, as the scenario wishes.")?;
    }
    if let Some(whole) = &found.in_whole_ticks {
        let linear =
            whole.left_over_linear_n_s.map_or_else(String::new, |p| format!(" and {} N s", vector(p)));
        console.line(&format!(
            "In whole ticks {} N m s{linear} are left over; at the price of what is left, no other ticks are \
             cheaper by more than {}.",
            vector(whole.left_over_angular_n_m_s),
            percent(whole.gap)
        ))?;
    }
    let cheaper = found.propellant_given_time_kg.filter(|kg| *kg < 0.999 * found.propellant_kg);
    if let Some(kg) = cheaper {
        console.line(&format!("With longer on-times (--within-s) {} kg would do.", number(kg)))?;
    }
    console.line("")?;
    let rows = found.jets.iter().map(|jet| {
        vec![
            jet.jet.clone(),
            number(jet.acting_time_s),
            number(jet.on_time_s),
            jet.on_ticks.to_string(),
            number(jet.propellant_kg),
        ]
    });
    let header = ["jet", "full thrust s", "valve open s", "ticks", "propellant kg"];
    console.line(&table(&header, rows.collect(), 1))?;
    console.line("")?;
    let flown = &found.as_flown;
    let mut rows = vec![
        vec![
            "angular impulse".to_owned(),
            "N m s".to_owned(),
            vector(found.asked_angular_impulse_n_m_s),
            vector(found.delivered.angular_impulse_n_m_s),
            vector(found.left_over_angular_n_m_s),
            vector(flown.angular_impulse_n_m_s),
        ],
        vec![
            "linear impulse".to_owned(),
            "N s".to_owned(),
            found.asked_linear_impulse_n_s.map_or_else(|| "free".to_owned(), vector),
            vector(found.delivered.linear_impulse_n_s),
            found.left_over_linear_n_s.map_or_else(|| "-".to_owned(), vector),
            vector(flown.linear_impulse_n_s),
        ],
    ];
    let changes = [
        ("rate change", "deg/s", found.delivered.rate_change_deg_s, flown.rate_change_deg_s),
        ("velocity change", "m/s", found.delivered.velocity_change_m_s, flown.velocity_change_m_s),
    ];
    for (name, unit, delivered, flown) in changes {
        let dash = "-".to_owned();
        rows.push(vec![
            name.to_owned(),
            unit.to_owned(),
            dash.clone(),
            vector(delivered),
            dash,
            vector(flown),
        ]);
    }
    let header = ["quantity", "unit", "asked", "delivered as told", "left over", "as flown, whole ticks"];
    console.line(&table(&header, rows, 2))?;
    console.line(&format!(
        "Price of one more: {} kg per N m s about x, y, z{}.",
        vector(found.multipliers_kg_per_n_m_s),
        found
            .multipliers_kg_per_n_s
            .map_or_else(String::new, |y| format!("; {} kg per N s along x, y, z", vector(y)))
    ))?;
    console.line("")
}
