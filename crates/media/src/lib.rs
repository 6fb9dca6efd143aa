//! Containers, presentation timestamps, rotation, decoded frames and sound
