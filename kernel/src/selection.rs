//! Jet selection.
