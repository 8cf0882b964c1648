//! Instruments and their verifications.

use scantling_core::uncertainty::Day;
use sqlx::{Sqlite as Driver, Transaction};

use super::acquisitions::not_simulated;
use super::{Sqlite, audit, from_json, known, page, to_json};
use crate::store::{
    Instrument, NewInstrument, NewVerification, Page, StoreError, Verification, VerificationSource,
    Withdrawal,
};

row! {
    struct Row {
        id: String,
        title: String,
        serial_number: String,
        create_time: i64,
    }
}

impl From<Row> for Instrument {
    fn from(row: Row) -> Self {
        let content = NewInstrument { id: row.id, title: row.title, serial_number: row.serial_number };
        Self { content, create_time_us: row.create_time }
    }
}

row! {
    struct VerificationRow {
        ord: i64,
        instrument: String,
        id: String,
        verified_on: String,
        valid_until: String,
        simulated: bool,
        content_json: String,
        results_json: Option<String>,
        create_time: i64,
        withdraw_time: Option<i64>,
        withdraw_reason: Option<String>,
    }
}

/// The columns of a row, without what a scan of balls showed: that of fifty balls is some 200 KB.
const IN_LISTS: &str =
    "ord, instrument, id, verified_on, valid_until, simulated, content_json, NULL AS results_json,
    create_time, withdraw_time, withdraw_reason";

impl VerificationRow {
    fn read(self) -> Result<Verification, StoreError> {
        let results = self.results_json.as_deref();
        Ok(Verification {
            content: NewVerification {
                verified_on: known(Day::parse(&self.verified_on), "day", &self.verified_on)?,
                valid_until: known(Day::parse(&self.valid_until), "day", &self.valid_until)?,
                content: from_json(&self.content_json, "a verification")?,
                results: results.map(|text| from_json(text, "results of balls")).transpose()?,
                instrument: self.instrument,
                id: self.id,
                simulated: self.simulated,
            },
            create_time_us: self.create_time,
            withdrawal: match (self.withdraw_time, self.withdraw_reason) {
                (Some(time_us), Some(reason)) => Some(Withdrawal { time_us, reason }),
                _ => None,
            },
        })
    }
}

fn name(instrument: &str, id: &str) -> String {
    format!("instruments/{instrument}/verifications/{id}")
}

/// `Err` where there is no such instrument.
pub(super) async fn there(tx: &mut Transaction<'static, Driver>, id: &str) -> Result<(), StoreError> {
    let found: Option<i64> = sqlx::query_scalar("SELECT ord FROM instrument WHERE id = ?")
        .bind(id)
        .fetch_optional(&mut **tx)
        .await?;
    found.map(drop).ok_or_else(|| StoreError::NotFound { name: format!("instruments/{id}") })
}

impl Sqlite {
    pub(in crate::store) async fn create_instrument(
        &self,
        caller: &str,
        new: &NewInstrument,
    ) -> Result<Instrument, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let done = sqlx::query(
            "INSERT INTO instrument (id, title, serial_number, create_time, caller) VALUES (?, ?, ?, ?, ?)
             ON CONFLICT (id) DO NOTHING",
        )
        .bind(&new.id)
        .bind(&new.title)
        .bind(&new.serial_number)
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        let name = format!("instruments/{}", new.id);
        if done.rows_affected() == 0 {
            return Err(StoreError::AlreadyExists { name });
        }
        audit::note(&mut tx, now, caller, "create_instrument", &name, &new.title).await?;
        tx.commit().await?;
        Ok(Instrument { content: new.clone(), create_time_us: now })
    }

    pub(in crate::store) async fn instrument(&self, id: &str) -> Result<Instrument, StoreError> {
        let row: Option<Row> = sqlx::query_as("SELECT * FROM instrument WHERE id = ?")
            .bind(id)
            .fetch_optional(&self.reader)
            .await?;
        row.map(Instrument::from).ok_or_else(|| StoreError::NotFound { name: format!("instruments/{id}") })
    }

    pub(in crate::store) async fn list_instruments(
        &self,
        after: &str,
        size: u32,
    ) -> Result<(Vec<Instrument>, Option<String>), StoreError> {
        let rows: Vec<Row> = sqlx::query_as("SELECT * FROM instrument WHERE id > ? ORDER BY id LIMIT ?")
            .bind(after)
            .bind(i64::from(size) + 1)
            .fetch_all(&self.reader)
            .await?;
        let mut all: Vec<Instrument> = rows.into_iter().map(Instrument::from).collect();
        let more = all.len() > size as usize;
        all.truncate(size as usize);
        let next = if more { all.last().map(|i| i.content.id.clone()) } else { None };
        Ok((all, next))
    }

    pub(in crate::store) async fn create_verification(
        &self,
        caller: &str,
        new: &NewVerification,
    ) -> Result<Verification, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        there(&mut tx, &new.instrument).await?;
        let source = &new.content.source;
        if let Some(blob) = source.blob() {
            let kept: Option<i64> = sqlx::query_scalar("SELECT size_bytes FROM blob WHERE sha256 = ?")
                .bind(blob)
                .fetch_optional(&mut *tx)
                .await?;
            if kept.is_none() {
                return Err(StoreError::NotFound { name: format!("blobs/{blob}") });
            }
            if !new.simulated && matches!(source, VerificationSource::BallScan(_)) {
                not_simulated(&mut tx, blob).await?;
            }
        }
        let content_json = to_json(&new.content);
        let done = sqlx::query(
            "INSERT INTO verification (instrument, id, verified_on, valid_until, simulated, content_json,
                 results_json, blob, create_time, caller)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (instrument, id) DO NOTHING",
        )
        .bind(&new.instrument)
        .bind(&new.id)
        .bind(new.verified_on.to_string())
        .bind(new.valid_until.to_string())
        .bind(new.simulated)
        .bind(&content_json)
        .bind(new.results.as_ref().map(to_json))
        .bind(source.blob())
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        let name = name(&new.instrument, &new.id);
        if done.rows_affected() == 0 {
            return Err(StoreError::AlreadyExists { name });
        }
        // The digest makes what it states part of the trail.
        let digest = scantling_core::canonical::sha256_hex(content_json.as_bytes());
        let simulated = if new.simulated { " simulated" } else { "" };
        let detail = format!("{} to {} content {digest}{simulated}", new.verified_on, new.valid_until);
        audit::note(&mut tx, now, caller, "create_verification", &name, &detail).await?;
        tx.commit().await?;
        Ok(Verification { content: new.clone(), create_time_us: now, withdrawal: None })
    }

    pub(in crate::store) async fn verification(
        &self,
        instrument: &str,
        id: &str,
    ) -> Result<Verification, StoreError> {
        let row: Option<VerificationRow> =
            sqlx::query_as("SELECT * FROM verification WHERE instrument = ? AND id = ?")
                .bind(instrument)
                .bind(id)
                .fetch_optional(&self.reader)
                .await?;
        row.ok_or_else(|| StoreError::NotFound { name: name(instrument, id) })?.read()
    }

    pub(in crate::store) async fn list_verifications(
        &self,
        instrument: &str,
        after: i64,
        size: u32,
    ) -> Result<Page<Verification>, StoreError> {
        self.instrument(instrument).await?;
        let query = format!(
            "SELECT {IN_LISTS} FROM verification WHERE instrument = ? AND ord > ? ORDER BY ord LIMIT ?"
        );
        let rows: Vec<VerificationRow> = sqlx::query_as(sqlx::AssertSqlSafe(query))
            .bind(instrument)
            .bind(after)
            .bind(i64::from(size) + 1)
            .fetch_all(&self.reader)
            .await?;
        page(rows, size, |r| r.ord, VerificationRow::read)
    }

    pub(in crate::store) async fn withdraw_verification(
        &self,
        caller: &str,
        instrument: &str,
        id: &str,
        reason: &str,
    ) -> Result<Verification, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let row: Option<VerificationRow> =
            sqlx::query_as("SELECT * FROM verification WHERE instrument = ? AND id = ?")
                .bind(instrument)
                .bind(id)
                .fetch_optional(&mut *tx)
                .await?;
        let name = name(instrument, id);
        let mut found = row.ok_or_else(|| StoreError::NotFound { name: name.clone() })?.read()?;
        if let Some(before) = found.withdrawal {
            return Err(StoreError::Withdrawn { name, reason: before.reason });
        }
        sqlx::query(
            "UPDATE verification SET withdraw_time = ?, withdraw_reason = ?, withdraw_caller = ?
             WHERE instrument = ? AND id = ?",
        )
        .bind(now)
        .bind(reason)
        .bind(caller)
        .bind(instrument)
        .bind(id)
        .execute(&mut *tx)
        .await?;
        audit::note(&mut tx, now, caller, "withdraw_verification", &name, reason).await?;
        tx.commit().await?;
        found.withdrawal = Some(Withdrawal { time_us: now, reason: reason.to_owned() });
        Ok(found)
    }
}
