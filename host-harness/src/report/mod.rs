//! Reports for people.
