//! Extrinsics from boards seen together and from court lines
