//! Rerun recording of a session
