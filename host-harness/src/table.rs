//! table
