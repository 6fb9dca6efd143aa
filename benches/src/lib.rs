//! Benchmarks against a peer in the same run.
