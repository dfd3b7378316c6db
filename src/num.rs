//! Numbers in and out.
