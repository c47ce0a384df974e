//! authority
