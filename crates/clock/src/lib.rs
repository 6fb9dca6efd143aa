//! Time offset and drift between cameras from sound, then checked by motion
