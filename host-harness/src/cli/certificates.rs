//! Certificates as files.

use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use serde_json::{Map, Value, json};

use crate::certificate::{Sampler, SelectionCertificate, bound_certificate};
use crate::metrics::Metrics;
use crate::record::RunRecord;
use crate::scenario::model::Scenario;

/// A folder that certificates of flights go into, one folder for each flight.
#[derive(Debug)]
pub struct Certificates {
    folder: PathBuf,
    written: usize,
    /// Flights without a proven bound that a file can hold.
    unproven: Vec<String>,
}

impl Certificates {
    /// Makes the folder, with its parents, and tries it.
    ///
    /// # Errors
    /// Naming the folder, when it cannot be made or written to, or holds something already.
    pub fn prepare(path: &Path) -> Result<Self> {
        let shown = path.display();
        fs::create_dir_all(path)
            .with_context(|| format!("cannot make the folder {shown} for the certificates"))?;
        let mut found = fs::read_dir(path).with_context(|| format!("cannot read the folder {shown}"))?;
        if found.next().is_some() {
            bail!(
                "the folder {shown} is not empty: name a new one for the certificates, so that old ones are \
                 not taken for new"
            );
        }
        let trial = path.join("trial");
        fs::create_dir(&trial)
            .and_then(|()| fs::remove_dir(&trial))
            .with_context(|| format!("cannot write into the folder {shown}"))?;
        Ok(Self { folder: path.to_owned(), written: 0, unproven: Vec::new() })
    }

    /// Writes the sampled selections of a flight and its bound, if that is proven.
    ///
    /// # Errors
    /// Naming the file.
    pub fn write_flight(
        &mut self,
        scenario: &Scenario,
        flown_stack: &[String],
        record: &RunRecord,
        metrics: &Metrics,
        sampler: &Sampler,
    ) -> Result<()> {
        let folder = self.folder.join(&record.name);
        fs::create_dir_all(&folder)
            .with_context(|| format!("cannot make the folder {} for the certificates", folder.display()))?;
        let names = jet_names(scenario);
        let mut about = about(scenario);
        about.insert("flight".into(), json!(record.name));
        // The file holds the corners of one stack.
        let one_stack = record.partings.is_empty();
        match metrics.bound.as_ref().filter(|bound| bound.proven && one_stack) {
            Some(bound) => {
                let text = bound_certificate(scenario, flown_stack, record, bound, &about);
                self.write(&folder.join("propellant_bound.json"), &text)?;
            }
            None => self.unproven.push(record.name.clone()),
        }
        about.insert("selections_in_flight".into(), json!(sampler.seen()));
        for sample in sampler.samples() {
            about.insert("selection".into(), json!(sample.number));
            about.insert("time_s".into(), json!(sample.time_s));
            let file = folder.join(format!("selection_{:06}.json", sample.number));
            self.write(&file, &sample.certificate.json(&about, &names))?;
        }
        Ok(())
    }

    fn write(&mut self, file: &Path, certificate: &Value) -> Result<()> {
        write_new(file, certificate)?;
        self.written += 1;
        Ok(())
    }

    /// What was written, in sentences.
    pub fn told(&self) -> Vec<String> {
        let missing = match self.unproven.as_slice() {
            [] => None,
            flights => Some(format!(
                "No certificate of the propellant bound of {}: it is not proven there, or holds for two stacks, before and after a \
                 release.",
                flights.join(", ")
            )),
        };
        [wrote(self.written, &self.folder)].into_iter().chain(missing).collect()
    }
}

/// Writes the certificate of one selection into a file that is not there yet.
///
/// # Errors
/// When the selection claims nothing, or the file exists or cannot be written.
pub fn write_selection(file: &Path, scenario: &Scenario, proof: &SelectionCertificate) -> Result<()> {
    if !proof.claims_something() {
        let word = crate::select::outcome_word(proof.outcome());
        bail!("no certificate: the selection ended as \"{word}\" and claims nothing that could be checked");
    }
    write_new(file, &proof.json(&about(scenario), &jet_names(scenario)))
}

/// Says what was written and how to check it.
pub fn wrote(count: usize, place: &Path) -> String {
    let noun = if count == 1 { "certificate" } else { "certificates" };
    let place = place.display();
    format!("Wrote {count} {noun}; to confirm: python3 tests/certificates/check.py {place}")
}

fn about(scenario: &Scenario) -> Map<String, Value> {
    let mut about = Map::new();
    about.insert("scenario".into(), json!(scenario.name));
    about
}

fn jet_names(scenario: &Scenario) -> Vec<String> {
    scenario.vehicle.jets.iter().map(|jet| jet.name.clone()).collect()
}

fn write_new(path: &Path, certificate: &Value) -> Result<()> {
    let shown = path.display();
    match File::create_new(path) {
        Ok(mut file) => {
            writeln!(file, "{certificate:#}").with_context(|| format!("cannot write the certificate {shown}"))
        }
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            bail!("{shown} exists already and is not written over: name a new file for the certificate")
        }
        Err(error) => Err(error).with_context(|| format!("cannot write the certificate {shown}")),
    }
}
