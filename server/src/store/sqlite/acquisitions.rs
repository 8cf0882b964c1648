//! Scans as they were taken.

use scantling_core::points::Coordinates;

use sqlx::{Sqlite as Driver, Transaction};

use super::{Sqlite, audit, from_json, instruments, known, page, to_json, unit, unit_word};
use crate::store::{Acquisition, Content, NewAcquisition, Page, Restraint, StoreError, TakenConditions};

row! {
    struct Row {
        ord: i64,
        id: String,
        blob: String,
        length_unit: String,
        instrument: String,
        operator: String,
        acquire_time: Option<i64>,
        restraint: String,
        temperature_c: Option<f64>,
        simulated: bool,
        content: String,
        columns: String,
        coordinates: Option<String>,
        point_standard_mm: Option<f64>,
        conditions_json: Option<String>,
        registered_instrument: Option<String>,
        create_time: i64,
    }
}

impl Row {
    fn read(self) -> Result<Acquisition, StoreError> {
        Ok(Acquisition {
            id: self.id,
            create_time_us: self.create_time,
            content: NewAcquisition {
                length_unit: unit(&self.length_unit)?,
                restraint: known(Restraint::from_word(&self.restraint), "restraint", &self.restraint)?,
                blob: self.blob,
                instrument: self.instrument,
                operator: self.operator,
                acquire_time_us: self.acquire_time,
                temperature_c: self.temperature_c,
                simulated: self.simulated,
                content: known(Content::from_word(&self.content), "content", &self.content)?,
                columns: self.columns,
                coordinates: match self.coordinates {
                    Some(word) => Some(from_json(&format!("\"{word}\""), "coordinates")?),
                    None => None,
                },
                point_standard_mm: self.point_standard_mm,
                conditions: match self.conditions_json {
                    Some(text) => from_json(&text, "conditions")?,
                    None => TakenConditions::default(),
                },
                registered_instrument: self.registered_instrument,
            },
        })
    }
}

/// Refuses bytes that a simulator made.
pub(super) async fn not_simulated(
    tx: &mut Transaction<'static, Driver>,
    blob: &str,
) -> Result<(), StoreError> {
    let before: Option<String> =
        sqlx::query_scalar("SELECT id FROM acquisition WHERE blob = ? AND simulated = 1 LIMIT 1")
            .bind(blob)
            .fetch_optional(&mut **tx)
            .await?;
    match before {
        Some(id) => Err(StoreError::Simulated { name: format!("blobs/{blob} (acquisitions/{id})") }),
        None => Ok(()),
    }
}

impl Sqlite {
    pub(in crate::store) async fn create_acquisition(
        &self,
        caller: &str,
        new: &NewAcquisition,
    ) -> Result<Acquisition, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let blob: Option<i64> = sqlx::query_scalar("SELECT size_bytes FROM blob WHERE sha256 = ?")
            .bind(&new.blob)
            .fetch_optional(&mut *tx)
            .await?;
        if blob.is_none() {
            return Err(StoreError::NotFound { name: format!("blobs/{}", new.blob) });
        }
        if let Some(instrument) = &new.registered_instrument {
            instruments::there(&mut tx, instrument).await?;
        }
        // What a simulator made stays simulated, whoever sends it again.
        if !new.simulated {
            not_simulated(&mut tx, &new.blob).await?;
        }
        let id = self.ids.next();
        sqlx::query(
            "INSERT INTO acquisition (id, blob, length_unit, instrument, operator, acquire_time, restraint,
                 temperature_c, simulated, content, columns, coordinates, point_standard_mm, conditions_json,
                 registered_instrument, create_time, caller)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(&id)
        .bind(&new.blob)
        .bind(unit_word(new.length_unit))
        .bind(&new.instrument)
        .bind(&new.operator)
        .bind(new.acquire_time_us)
        .bind(new.restraint.word())
        .bind(new.temperature_c)
        .bind(new.simulated)
        .bind(new.content.word())
        .bind(&new.columns)
        .bind(new.coordinates.map(|c| match c {
            Coordinates::Part => "part",
            Coordinates::Instrument => "instrument",
        }))
        .bind(new.point_standard_mm)
        .bind((new.conditions != TakenConditions::default()).then(|| to_json(&new.conditions)))
        .bind(&new.registered_instrument)
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        let detail = format!("blob {}{}", new.blob, if new.simulated { " simulated" } else { "" });
        audit::note(&mut tx, now, caller, "create_acquisition", &format!("acquisitions/{id}"), &detail)
            .await?;
        tx.commit().await?;
        Ok(Acquisition { id, content: new.clone(), create_time_us: now })
    }

    pub(in crate::store) async fn acquisition(&self, id: &str) -> Result<Acquisition, StoreError> {
        let row: Option<Row> = sqlx::query_as("SELECT * FROM acquisition WHERE id = ?")
            .bind(id)
            .fetch_optional(&self.reader)
            .await?;
        row.ok_or_else(|| StoreError::NotFound { name: format!("acquisitions/{id}") })?.read()
    }

    pub(in crate::store) async fn list_acquisitions(
        &self,
        before: Option<i64>,
        size: u32,
    ) -> Result<Page<Acquisition>, StoreError> {
        let rows: Vec<Row> =
            sqlx::query_as("SELECT * FROM acquisition WHERE ord < ? ORDER BY ord DESC LIMIT ?")
                .bind(before.unwrap_or(i64::MAX))
                .bind(i64::from(size) + 1)
                .fetch_all(&self.reader)
                .await?;
        page(rows, size, |r| r.ord, Row::read)
    }
}
