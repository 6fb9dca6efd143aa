//! Body frame, phases, measures and checks of a stroke
