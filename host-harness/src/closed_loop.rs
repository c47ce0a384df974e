//! closed_loop
