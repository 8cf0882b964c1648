//! The append-only audit trail. An entry's hash covers its own fields and the hash of the one before, so
//! that no entry can be changed, taken out or put between others without breaking every later one.

use scantling_core::canonical;
use sqlx::{Sqlite as Driver, Transaction};

use super::Sqlite;
use crate::store::{AuditEntry, StoreError};

/// What the first entry holds in place of the hash before it.
const BEGINNING: &str = "0000000000000000000000000000000000000000000000000000000000000000";

row! {
    struct Row {
        ord: i64,
        time: i64,
        caller: String,
        action: String,
        subject: String,
        detail: String,
        previous_sha256: String,
        sha256: String,
    }
}

impl From<Row> for AuditEntry {
    fn from(row: Row) -> Self {
        Self {
            ord: row.ord,
            time_us: row.time,
            caller: row.caller,
            action: row.action,
            subject: row.subject,
            detail: row.detail,
            previous_sha256: row.previous_sha256,
            sha256: row.sha256,
        }
    }
}

/// An array in canonical JSON keeps the fields apart whatever they hold.
fn hash(time: i64, caller: &str, action: &str, subject: &str, detail: &str, previous: &str) -> String {
    let text = canonical::json(&(time, caller, action, subject, detail, previous));
    canonical::sha256_hex(text.as_bytes())
}

/// Adds an entry within the transaction of what it tells of.
pub(super) async fn note(
    tx: &mut Transaction<'static, Driver>,
    time: i64,
    caller: &str,
    action: &str,
    subject: &str,
    detail: &str,
) -> Result<(), StoreError> {
    let previous: Option<String> = sqlx::query_scalar("SELECT sha256 FROM audit ORDER BY ord DESC LIMIT 1")
        .fetch_optional(&mut **tx)
        .await?;
    let previous = previous.unwrap_or_else(|| BEGINNING.to_owned());
    let sha256 = hash(time, caller, action, subject, detail, &previous);
    sqlx::query(
        "INSERT INTO audit (time, caller, action, subject, detail, previous_sha256, sha256)
         VALUES (?, ?, ?, ?, ?, ?, ?)",
    )
    .bind(time)
    .bind(caller)
    .bind(action)
    .bind(subject)
    .bind(detail)
    .bind(previous)
    .bind(sha256)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

impl Sqlite {
    pub(in crate::store) async fn audit_after(
        &self,
        ord: i64,
        size: u32,
    ) -> Result<Vec<AuditEntry>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as("SELECT * FROM audit WHERE ord > ? ORDER BY ord LIMIT ?")
            .bind(ord)
            .bind(i64::from(size))
            .fetch_all(&self.reader)
            .await?;
        Ok(rows.into_iter().map(AuditEntry::from).collect())
    }

    pub(in crate::store) async fn check_audit(&self) -> Result<Option<i64>, StoreError> {
        let (mut previous, mut at) = (BEGINNING.to_owned(), 0);
        loop {
            let entries = self.audit_after(at, 1000).await?;
            if entries.is_empty() {
                return Ok(None);
            }
            for e in entries {
                let fits = e.previous_sha256 == previous
                    && e.sha256 == hash(e.time_us, &e.caller, &e.action, &e.subject, &e.detail, &previous);
                if !fits {
                    return Ok(Some(e.ord));
                }
                (previous, at) = (e.sha256, e.ord);
            }
        }
    }
}
