//! Intrinsics of one camera from board views
