//! What this build of the program `midline` holds. The program itself starts in `main.rs`; as a library it lets other packages ask for its
//! features, as the tests do.

/// Whether queries to many players can run on a cluster.
pub const CLUSTER: bool = cfg!(feature = "cluster");
