//! metrics
