//! What must not be lost: parts, revisions, scans, inspections, uploads, the audit trail. About fifteen
//! operations in words of the domain, each one transaction.

mod model;
mod register;
mod sqlite;

pub use model::*;
pub use register::*;
pub use sqlite::Sqlite;

use std::path::PathBuf;

/// Why the store refused.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("there is no {name}; correct the name, or create it first if it is to be new")]
    NotFound { name: String },
    #[error("{name} exists already; choose another id or use the one there is")]
    AlreadyExists { name: String },
    #[error(
        "request_id {request_id} was used before, for inspections/{first}, with another request; \
         send a new request_id for a new request"
    )]
    RequestIdReused { request_id: String, first: String },
    #[error(
        "revision, serial number and sources were inspected before as inspections/{first}; read that one, \
         or name it in repeat_of to measure again"
    )]
    AlreadyInspected { first: String },
    #[error("{name} is {state}, not a draft; create a new revision instead")]
    NotDraft { name: String, state: &'static str },
    #[error(
        "{name} is {state}, and purpose PRODUCTION needs the revision in force; {}",
        if *state == "draft" { "release it first" } else { "name the one in force, or inspect for another purpose" }
    )]
    NotReleased { name: String, state: &'static str },
    #[error(
        "{name} was made by a simulator and serves rehearsals only; say that it is simulated, and use purpose REHEARSAL"
    )]
    Simulated { name: String },
    #[error(
        "{name} was withdrawn before ({reason}); a new verification takes its place, this one stays withdrawn"
    )]
    Withdrawn { name: String, reason: String },
    #[error("{field}: {problem}")]
    Field { field: &'static str, problem: String },
    #[error("{waiting} inspections are waiting, which is the limit; try again later")]
    Overloaded { waiting: u32 },
    #[error("upload {upload} stands at byte {stands}, not at {sent}; ask GetUpload and send on from there")]
    UploadOffset { upload: String, stands: u64, sent: u64 },
    #[error("another process uses the data folder {}; end it, or choose another folder", folder.display())]
    FolderInUse { folder: PathBuf },
    #[error("the data folder {} cannot be used: {source}", folder.display())]
    Folder { folder: PathBuf, source: std::io::Error },
    #[error("the store holds {what}, which this version cannot read")]
    Unreadable { what: String },
    #[error(transparent)]
    Database(#[from] sqlx::Error),
    #[error(transparent)]
    Migration(#[from] sqlx::migrate::MigrateError),
}

impl Store {
    /// Microseconds since 1970-01-01 UTC by the store's clock.
    pub fn now_us(&self) -> i64 {
        match self {
            Store::Sqlite(store) => store.now_us(),
        }
    }
}

/// Ending or prolonging a claim did not work.
#[derive(Debug, thiserror::Error)]
pub enum ClaimError {
    /// A later claim took the inspection over, or it is finished.
    #[error("the lease on inspections/{inspection} was lost")]
    LostLease { inspection: String },
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<sqlx::Error> for ClaimError {
    fn from(error: sqlx::Error) -> Self {
        ClaimError::Store(error.into())
    }
}

/// Who asks. One name until callers have credentials.
pub const LOCAL_CALLER: &str = "local";

/// Where everything is kept.
#[derive(Clone, Debug)]
pub enum Store {
    /// One file, one process.
    Sqlite(Sqlite),
}

/// Hands each operation to the store that is in use.
macro_rules! operations {
    ($($(#[$doc:meta])* $name:ident($($arg:ident: $ty:ty),*) -> $out:ty;)+) => {
        impl Store {
            $(
                $(#[$doc])*
                pub async fn $name(&self, $($arg: $ty),*) -> $out {
                    match self { Store::Sqlite(store) => store.$name($($arg),*).await }
                }
            )+
        }
    };
}

operations! {
    /// Creates a part.
    create_part(caller: &str, id: &str, title: &str) -> Result<Part, StoreError>;
    /// One part.
    part(id: &str) -> Result<Part, StoreError>;
    /// Parts in the order of their ids, beginning after one.
    list_parts(after: &str, size: u32) -> Result<(Vec<Part>, Option<String>), StoreError>;

    /// Creates a draft.
    create_revision(caller: &str, new: &NewRevision) -> Result<Revision, StoreError>;
    /// One revision.
    revision(part: &str, id: &str) -> Result<Revision, StoreError>;
    /// Revisions of a part, oldest first.
    list_revisions(part: &str, after: i64, size: u32) -> Result<Page<Revision>, StoreError>;
    /// Other revisions of a part with another nominal than one's, the newest of each nominal, newest first.
    other_nominals(part: &str, id: &str, most: u32) -> Result<Vec<Revision>, StoreError>;
    /// Puts a draft in force and supersedes the one before.
    release_revision(caller: &str, part: &str, id: &str) -> Result<Revision, StoreError>;

    /// Announces an upload.
    begin_upload(caller: &str, sha256: &str, size_bytes: u64) -> Result<Upload, StoreError>;
    /// One upload.
    upload(id: &str) -> Result<Upload, StoreError>;
    /// Notes that bytes up to `to` are safe, or, after a wrong digest, that none are.
    advance_upload(id: &str, from: u64, to: u64) -> Result<(), StoreError>;
    /// Gives up uploads without progress since a time; their ids.
    forget_uploads(before_us: i64) -> Result<Vec<String>, StoreError>;
    /// Notes that an upload became a blob.
    complete_upload(caller: &str, id: &str) -> Result<Upload, StoreError>;
    /// Notes bytes that the service itself stored.
    keep_blob(caller: &str, blob: &BlobRow) -> Result<(), StoreError>;
    /// One blob.
    blob(sha256: &str) -> Result<BlobRow, StoreError>;

    /// Records a scan.
    create_acquisition(caller: &str, new: &NewAcquisition) -> Result<Acquisition, StoreError>;
    /// One acquisition.
    acquisition(id: &str) -> Result<Acquisition, StoreError>;
    /// Acquisitions, newest first, beginning before one.
    list_acquisitions(before: Option<i64>, size: u32) -> Result<Page<Acquisition>, StoreError>;

    /// Registers an instrument.
    create_instrument(caller: &str, new: &NewInstrument) -> Result<Instrument, StoreError>;
    /// One instrument.
    instrument(id: &str) -> Result<Instrument, StoreError>;
    /// Instruments in the order of their ids, beginning after one.
    list_instruments(after: &str, size: u32) -> Result<(Vec<Instrument>, Option<String>), StoreError>;
    /// Registers a verification.
    create_verification(caller: &str, new: &NewVerification) -> Result<Verification, StoreError>;
    /// One verification.
    verification(instrument: &str, id: &str) -> Result<Verification, StoreError>;
    /// Verifications of an instrument in the order of their registration, beginning after one.
    list_verifications(instrument: &str, after: i64, size: u32) -> Result<Page<Verification>, StoreError>;
    /// Withdraws a verification.
    withdraw_verification(caller: &str, instrument: &str, id: &str, reason: &str) -> Result<Verification, StoreError>;

    /// Accepts an inspection, or answers with the one that the same request made before.
    submit(caller: &str, request_id: &str, request: &Request, most_waiting: u32) -> Result<Inspection, StoreError>;
    /// One inspection, with its result.
    inspection(id: &str) -> Result<Inspection, StoreError>;
    /// Inspections, newest first, without their results.
    list_inspections(filter: &Filter, before: Option<i64>, size: u32) -> Result<Page<Inspection>, StoreError>;
    /// Finished inspections after a sequence number, in the order in which they finished.
    events_after(sequence: i64, size: u32) -> Result<Vec<Inspection>, StoreError>;

    /// Takes the oldest inspection that waits or whose lease ran out.
    claim(lease_us: i64) -> Result<Option<Claim>, StoreError>;
    /// Prolongs a claim.
    heartbeat(claim: &Claim, lease_us: i64) -> Result<(), ClaimError>;
    /// Ends an inspection: its outcome, its place in the order and the audit entry at once.
    finish(claim: &Claim, outcome: &Outcome) -> Result<i64, ClaimError>;
    /// Hands a claim back unfinished, so that another takes it; it does not count as a start.
    hand_back(claim: &Claim) -> Result<(), ClaimError>;
    /// Puts back whatever a killed process left running. Only at start, when nothing else runs.
    requeue_stale() -> Result<u64, StoreError>;

    /// The audit trail after an entry.
    audit_after(ord: i64, size: u32) -> Result<Vec<AuditEntry>, StoreError>;
    /// Checks every link of the audit trail; the first entry that does not fit, if any.
    check_audit() -> Result<Option<i64>, StoreError>;

    /// Ends every copy of this store and gives the folder free for the next process.
    close() -> ();
}
