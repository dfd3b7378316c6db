//! system
