//! The store in one SQLite file: write-ahead log, synchronous FULL, one writer. Every transaction that
//! writes begins IMMEDIATE, since one that begins deferred and writes after reading fails at once when
//! another has written in between.

/// A struct that is read from a row of a query by the names of its fields. What the library's own derive does,
/// without the second SQLite that the derive compiles for itself.
macro_rules! row {
    ($vis:vis struct $name:ident { $($field_vis:vis $field:ident: $type:ty,)* }) => {
        $vis struct $name { $($field_vis $field: $type,)* }

        impl<'r> sqlx::FromRow<'r, sqlx::sqlite::SqliteRow> for $name {
            fn from_row(row: &'r sqlx::sqlite::SqliteRow) -> Result<Self, sqlx::Error> {
                use sqlx::Row as _;
                Ok(Self { $($field: row.try_get(stringify!($field))?,)* })
            }
        }
    };
}

mod acquisitions;
mod audit;
mod inspections;
mod instruments;
mod jobs;
mod parts;
mod revisions;
mod uploads;

use std::fs::{File, TryLockError};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{SqlStr, Sqlite as Driver, SqlitePool, Transaction};

use super::{Page, StoreError};
use crate::clock::{Clock, Ids};

/// A store in one file.
#[derive(Clone, Debug)]
pub struct Sqlite {
    writer: SqlitePool,
    reader: SqlitePool,
    clock: Clock,
    ids: Ids,
    /// Held until the store is closed, or as long as any copy of it lives.
    lock: Arc<File>,
}

/// The forms of the store, oldest first; a landed one is never changed.
fn migrations() -> Migrator {
    let one = |version, description: &'static str, sql: &'static str| {
        Migration::new(version, description.into(), MigrationType::Simple, SqlStr::from_static(sql), false)
    };
    Migrator::with_migrations(vec![
        one(1, "start", include_str!("../../../migrations/0001_start.sql")),
        one(2, "revision remarks", include_str!("../../../migrations/0002_revision_remarks.sql")),
        one(3, "conditions", include_str!("../../../migrations/0003_conditions.sql")),
        one(4, "nominals with units", include_str!("../../../migrations/0004_nominals_with_units.sql")),
        one(5, "neighbours", include_str!("../../../migrations/0005_neighbours.sql")),
        one(6, "instruments", include_str!("../../../migrations/0006_instruments.sql")),
    ])
}

/// A reader for each few calls at a time; more would only wait for the disc.
const READERS: u32 = 4;

impl Sqlite {
    /// Opens the store of a folder, makes it when there is none, and locks the folder.
    ///
    /// # Errors
    /// When another process holds the folder, when it cannot be written, or when its data is of a later
    /// version.
    pub async fn open(folder: &Path, clock: Clock, ids: Ids) -> Result<Self, StoreError> {
        let unusable = |source| StoreError::Folder { folder: folder.to_path_buf(), source };
        std::fs::create_dir_all(folder).map_err(unusable)?;
        let lock = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(folder.join("scantling.lock"))
            .map_err(unusable)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::FolderInUse { folder: folder.to_path_buf() });
            }
            Err(TryLockError::Error(source)) => return Err(unusable(source)),
        }

        let options = SqliteConnectOptions::new()
            .filename(folder.join("store.sqlite"))
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(Duration::from_secs(10));
        let writer = SqlitePoolOptions::new().max_connections(1).connect_with(options.clone()).await?;
        migrations().run(&writer).await?;
        let reader =
            SqlitePoolOptions::new().max_connections(READERS).connect_with(options.read_only(true)).await?;
        // The entries of a new file in its folder must survive a power cut as well.
        File::open(folder).and_then(|f| f.sync_all()).map_err(unusable)?;
        Ok(Self { writer, reader, clock, ids, lock: Arc::new(lock) })
    }

    pub(super) fn now_us(&self) -> i64 {
        self.clock.now_us()
    }

    pub(super) async fn close(&self) {
        self.reader.close().await;
        // The last connection to close moves the log into the file.
        self.writer.close().await;
        if let Err(error) = self.lock.unlock() {
            tracing::warn!(%error, "the data folder stays locked until the process ends");
        }
    }

    async fn begin(&self) -> Result<Transaction<'static, Driver>, StoreError> {
        Ok(self.writer.begin_with("BEGIN IMMEDIATE").await?)
    }
}

/// An unsigned number of ours as the signed one of the database.
fn signed(n: u64, what: &str) -> Result<i64, StoreError> {
    i64::try_from(n).map_err(|_| StoreError::Unreadable { what: format!("{what} {n}") })
}

fn unsigned(n: i64, what: &str) -> Result<u64, StoreError> {
    u64::try_from(n).map_err(|_| StoreError::Unreadable { what: format!("{what} {n}") })
}

fn unit_word(unit: scantling_core::scan::LengthUnit) -> &'static str {
    use scantling_core::scan::LengthUnit::{Centimetre, Inch, Metre, Micrometre, Millimetre};
    match unit {
        Micrometre => "micrometre",
        Millimetre => "millimetre",
        Centimetre => "centimetre",
        Metre => "metre",
        Inch => "inch",
    }
}

fn unit(word: &str) -> Result<scantling_core::scan::LengthUnit, StoreError> {
    use scantling_core::scan::LengthUnit::{Centimetre, Inch, Metre, Micrometre, Millimetre};
    [Micrometre, Millimetre, Centimetre, Metre, Inch]
        .into_iter()
        .find(|u| unit_word(*u) == word)
        .ok_or_else(|| StoreError::Unreadable { what: format!("length unit {word}") })
}

/// A word of ours, or what the store holds instead.
fn known<T>(value: Option<T>, what: &str, word: &str) -> Result<T, StoreError> {
    value.ok_or_else(|| StoreError::Unreadable { what: format!("{what} {word}") })
}

/// A page of `size` items from rows of which one more was asked for.
fn page<R, T>(
    mut rows: Vec<R>,
    size: u32,
    ord: impl Fn(&R) -> i64,
    read: impl Fn(R) -> Result<T, StoreError>,
) -> Result<Page<T>, StoreError> {
    let more = rows.len() > size as usize;
    rows.truncate(size as usize);
    let next = if more { rows.last().map(ord) } else { None };
    Ok(Page { items: rows.into_iter().map(read).collect::<Result<_, _>>()?, next })
}

fn to_json<T: serde::Serialize>(value: &T) -> String {
    scantling_core::canonical::json(value)
}

fn from_json<T: serde::de::DeserializeOwned>(text: &str, what: &str) -> Result<T, StoreError> {
    serde_json::from_str(text).map_err(|e| StoreError::Unreadable { what: format!("{what}: {e}") })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What an older form held is there in the newest, and its references hold.
    #[tokio::test]
    async fn a_store_of_the_third_form_is_brought_to_the_newest() {
        let folder = tempfile::tempdir().unwrap();
        let options = SqliteConnectOptions::new()
            .filename(folder.path().join("store.sqlite"))
            .create_if_missing(true)
            .foreign_keys(true);
        let pool = SqlitePoolOptions::new().max_connections(1).connect_with(options).await.unwrap();
        let older: Vec<Migration> = migrations().iter().filter(|m| m.version <= 3).cloned().collect();
        Migrator::with_migrations(older).run(&pool).await.unwrap();
        let digest = "a".repeat(64);
        for statement in [
            "INSERT INTO part (id, title, create_time, caller) VALUES ('p', 'P', 1, 'me')".to_owned(),
            format!("INSERT INTO blob VALUES ('{digest}', 5, 1, 'me')"),
            format!(
                "INSERT INTO revision (part, id, state, plan_json, plan_sha256, plan_source, nominal_sha256, nominal_unit,
                     bound_json, create_time, caller) VALUES ('p', 'a', 'released', '{{}}', 'x', '', '{digest}', 'inch', '[]', 2, 'me')"
            ),
            "INSERT INTO inspection (id, caller, request_id, request_sha256, part, revision, serial_number, sources_json,
                 readings_json, scope_json, purpose, context_json, attempt, state, create_time)
                 VALUES ('i', 'me', 'r', 'h', 'p', 'a', '1', '[]', '[]', '[]', 'production', '{}', 1, 'queued', 3)"
                .to_owned(),
        ] {
            sqlx::query(SqlStr::from_static(statement.leak())).execute(&pool).await.unwrap();
        }
        migrations().run(&pool).await.unwrap();
        let kept: (i64, String, String) =
            sqlx::query_as("SELECT ord, state, nominal_unit FROM revision WHERE part = 'p' AND id = 'a'")
                .fetch_one(&pool)
                .await
                .unwrap();
        assert_eq!(kept, (1, "released".to_owned(), "inch".to_owned()));
        let astray: Option<i64> = sqlx::query_scalar("SELECT rowid FROM pragma_foreign_key_check")
            .fetch_optional(&pool)
            .await
            .unwrap();
        assert_eq!(astray, None);
        // Nothing of what protects a revision was lost.
        for refused in ["DELETE FROM revision", "UPDATE revision SET plan_json = '[]'", "DELETE FROM part"] {
            assert!(sqlx::query(refused).execute(&pool).await.is_err(), "{refused}");
        }
    }
}
