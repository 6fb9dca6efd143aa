//! The command line of `midline cohort`.

#[cfg(feature = "cluster")]
use std::net::SocketAddr;
use std::path::PathBuf;

use clap::builder::PossibleValuesParser;
use clap::{Args, Subcommand, ValueEnum};
use midline_cohort::query::Question;
use midline_cohort::store::kind_codes;

/// Many players in one table: a folder (or an object store's URL) of Parquet files.
#[derive(Subcommand)]
pub(crate) enum CohortCommand {
    /// Put measured sessions into a store; what is there already with the same content is left alone
    Add {
        /// The store; made when it is not there
        store: String,
        /// Session folders or session.toml files that midline run has measured
        #[arg(required = true)]
        sessions: Vec<PathBuf>,
        /// The study that they belong to
        #[arg(long)]
        study: String,
        /// CSV with the columns player, level and age_group; no names, no dates of birth
        #[arg(long)]
        roster: Option<PathBuf>,
        /// Put these measures in the place of others of the same session
        #[arg(long)]
        replace: bool,
    },
    /// Take a session out of a store
    Remove {
        /// The store
        store: String,
        /// The study
        study: String,
        /// The player's code
        player: String,
        /// The session
        session: String,
    },
    /// Compare every file of a store with what was written
    Check {
        /// The store
        store: String,
        /// First bring sessions that an older midline wrote up to date; nothing else is changed
        #[arg(long)]
        mend: bool,
    },
    /// Tables and columns with units and meanings
    Columns,
    /// Ask a store in SQL (tables: strokes, curves, events, quality); it only reads
    Sql {
        /// The store
        store: String,
        /// The query
        query: String,
        #[command(flatten)]
        output: Output,
    },
    /// A ready question
    Ask {
        /// The store
        store: String,
        /// The question
        #[arg(value_parser = questions())]
        question: String,
        /// The measure or channel that it is about
        subject: Option<String>,
        /// Print the query instead of its answer
        #[arg(long)]
        print_sql: bool,
        #[command(flatten)]
        output: Output,
    },
    /// Who counts for a measure, and how many were left out at every step
    Flow {
        /// The store
        store: String,
        /// The measure
        measure: String,
        #[command(flatten)]
        criteria: CriteriaAsked,
        /// Print the result as JSON
        #[arg(long)]
        json: bool,
    },
    /// Groups, styles, reliability and changes as one HTML file
    Report {
        /// The store
        store: String,
        /// Where the page goes
        #[arg(long, default_value = "cohort-report.html")]
        to: PathBuf,
        /// Measures, with commas between; all when absent
        #[arg(long, value_delimiter = ',')]
        measures: Vec<String>,
        /// Channels of the curves, with commas between; all when absent
        #[arg(long, value_delimiter = ',')]
        channels: Vec<String>,
        /// Channel by whose curves style groups are formed
        #[arg(long, default_value = "racket-tip-lateral")]
        style_channel: String,
        #[command(flatten)]
        criteria: CriteriaAsked,
        /// Replicates of the bootstrap
        #[arg(long, default_value_t = 1999, value_parser = clap::value_parser!(u32).range(99..=1_000_000))]
        replicates: u32,
        /// Seed of everything random: the same store and seed give the same page
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Print the findings as JSON as well
        #[arg(long)]
        json: bool,
    },
    /// All tables of a store as tidy CSV or Parquet files
    Export {
        /// The store
        store: String,
        /// Folder to put them in
        folder: PathBuf,
        /// Format
        #[arg(long, value_enum, default_value_t = ExportFormat::Csv)]
        format: ExportFormat,
    },
    /// The strokes of a measured session as C3D files, one per stroke
    C3d {
        /// Session folder or session.toml
        session: PathBuf,
        /// Folder to put them in
        folder: PathBuf,
    },
    /// A store of 40 made-up players with known effects, and its report
    Demo {
        /// Folder to make
        folder: PathBuf,
        /// Seed of the made-up players
        #[arg(long, default_value_t = 1)]
        seed: u64,
    },
    /// Several machines that answer `sql` and `ask` together: one scheduler, and an executor on each.
    /// There is no password: whoever reaches them can read what they can, so open them in a closed network only
    #[cfg(feature = "cluster")]
    #[command(subcommand)]
    Cluster(ClusterCommand),
}

/// The processes of a cluster.
#[cfg(feature = "cluster")]
#[derive(Subcommand)]
pub(crate) enum ClusterCommand {
    /// Takes queries and gives their parts to the executors
    Scheduler {
        /// Address and port of this machine; 0.0.0.0:50050 for others to reach it
        #[arg(long, default_value = "127.0.0.1:50050")]
        at: SocketAddr,
    },
    /// Reads the store's files and works on parts of queries; the store must be seen under the same path as where the query is asked
    Executor {
        /// Host and port of the scheduler
        #[arg(long, default_value = "127.0.0.1:50050")]
        scheduler: String,
        /// Address and port of this machine; 0.0.0.0:50051 for others to reach it
        #[arg(long, default_value = "127.0.0.1:50051")]
        at: SocketAddr,
        /// Name of this machine for the others, where the address that it calls from is not the one
        #[arg(long)]
        known_as: Option<String>,
        /// Parts at a time; as many as there are processors when absent
        #[arg(long, value_parser = clap::value_parser!(u16).range(1..))]
        tasks: Option<u16>,
        /// Memory in MB
        #[arg(long, default_value_t = 2048, value_parser = clap::value_parser!(u64).range(16..=1_000_000))]
        memory_mb: u64,
    },
}

fn questions() -> PossibleValuesParser {
    PossibleValuesParser::new(Question::ALL.into_iter().map(Question::name))
}

/// How rows come out.
#[derive(Args)]
pub(crate) struct Output {
    /// Form of the rows
    #[arg(long, value_enum, default_value_t = FormAsked::Table)]
    pub(crate) form: FormAsked,
    /// File instead of standard output
    #[arg(long)]
    pub(crate) to: Option<PathBuf>,
    /// Memory for the query in MB; what does not fit goes to temporary files
    #[arg(long, default_value_t = 2048, value_parser = clap::value_parser!(u64).range(16..=1_000_000))]
    pub(crate) memory_mb: u64,
    /// Have a cluster answer: the address of its scheduler, such as df://host:50050
    #[arg(long, conflicts_with = "memory_mb")]
    pub(crate) cluster: Option<String>,
}

/// Who counts.
#[derive(Args)]
pub(crate) struct CriteriaAsked {
    /// Kind of stroke; all kinds together when absent
    #[arg(long, value_parser = PossibleValuesParser::new(kind_codes()))]
    pub(crate) kind: Option<String>,
    /// Largest standard deviation of the time of contact, ms
    #[arg(long, default_value_t = 10.0)]
    pub(crate) contact_sd_ms: f64,
    /// Least share of the curves' instants that could be measured
    #[arg(long, default_value_t = 0.5)]
    pub(crate) curve_share: f64,
    /// Least number of strokes of a player
    #[arg(long, default_value_t = 3)]
    pub(crate) strokes_per_player: usize,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FormAsked {
    Table,
    Csv,
    Json,
    Parquet,
}

#[derive(Clone, Copy, ValueEnum)]
pub(crate) enum ExportFormat {
    Csv,
    Parquet,
}
