//! Accepting and reading inspections.

use scantling_core::canonical;
use scantling_core::record::Verdict;
use sqlx::{QueryBuilder, Sqlite as Driver, Transaction};

use super::jobs::WAITING;
use super::{Sqlite, audit, from_json, known, page, to_json};
use crate::store::{Failure, Filter, Inspection, Page, Purpose, Request, RevisionState, State, StoreError};

/// All columns but the result, which may be large.
const HEAD: &str =
    "ord, id, part, revision, serial_number, sources_json, readings_json, scope_json, purpose, context_json,
    repeat_of, attempt, state, fence, starts, verdict, reason, NULL AS result_json, result_sha256,
    report_sha256, deviation_sha256, failure, create_time, finish_time, sequence";

/// All columns.
const WHOLE: &str =
    "ord, id, part, revision, serial_number, sources_json, readings_json, scope_json, purpose, context_json,
    repeat_of, attempt, state, fence, starts, verdict, reason, result_json, result_sha256,
    report_sha256, deviation_sha256, failure, create_time, finish_time, sequence";

row! {
    pub(super) struct Row {
        ord: i64,
        id: String,
        part: String,
        revision: String,
        serial_number: String,
        sources_json: String,
        readings_json: String,
        scope_json: String,
        purpose: String,
        context_json: String,
        repeat_of: Option<String>,
        attempt: i64,
        state: String,
        pub(super) fence: i64,
        pub(super) starts: i64,
        verdict: Option<String>,
        reason: String,
        result_json: Option<String>,
        result_sha256: Option<String>,
        report_sha256: Option<String>,
        deviation_sha256: Option<String>,
        failure: Option<String>,
        create_time: i64,
        finish_time: Option<i64>,
        sequence: Option<i64>,
    }
}

impl Row {
    pub(super) fn read(self) -> Result<Inspection, StoreError> {
        let failure = match self.failure {
            Some(word) => Some(known(Failure::from_word(&word), "failure", &word)?),
            None => None,
        };
        let verdict: Option<Verdict> = match self.verdict {
            Some(word) => Some(from_json(&format!("\"{word}\""), "verdict")?),
            None => None,
        };
        Ok(Inspection {
            attempt: u32::try_from(self.attempt)
                .map_err(|_| StoreError::Unreadable { what: format!("attempt {}", self.attempt) })?,
            state: known(State::from_word(&self.state), "state", &self.state)?,
            verdict,
            failure,
            id: self.id,
            reason: self.reason,
            result_json: self.result_json,
            result_sha256: self.result_sha256,
            report_sha256: self.report_sha256,
            deviation_sha256: self.deviation_sha256,
            create_time_us: self.create_time,
            finish_time_us: self.finish_time,
            sequence: self.sequence,
            request: Request {
                sources: from_json(&self.sources_json, "sources")?,
                readings: from_json(&self.readings_json, "readings")?,
                scope_groups: from_json(&self.scope_json, "scope")?,
                purpose: known(Purpose::from_word(&self.purpose), "purpose", &self.purpose)?,
                context: from_json(&self.context_json, "context")?,
                part: self.part,
                revision: self.revision,
                serial_number: self.serial_number,
                repeat_of: self.repeat_of,
            },
        })
    }
}

/// The word under which a verdict is kept: the same as in the record.
pub(super) fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "conforms",
        Verdict::DoesNotConform => "does_not_conform",
        Verdict::Undecided => "undecided",
        Verdict::NotMeasured => "not_measured",
    }
}

impl Sqlite {
    pub(in crate::store) async fn submit(
        &self,
        caller: &str,
        request_id: &str,
        request: &Request,
        most_waiting: u32,
    ) -> Result<Inspection, StoreError> {
        let request_sha256 = canonical::sha256_hex(to_json(request).as_bytes());
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();

        // The same request again gets the same answer, whatever has changed since.
        let before: Option<(String, String)> =
            sqlx::query_as("SELECT id, request_sha256 FROM inspection WHERE caller = ? AND request_id = ?")
                .bind(caller)
                .bind(request_id)
                .fetch_optional(&mut *tx)
                .await?;
        if let Some((first, hash)) = before {
            drop(tx);
            return if hash == request_sha256 {
                self.inspection(&first).await
            } else {
                Err(StoreError::RequestIdReused { request_id: request_id.to_owned(), first })
            };
        }

        check_references(&mut tx, request).await?;
        let mut attempts: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM inspection WHERE part = ? AND revision = ? AND serial_number = ?",
        )
        .bind(&request.part)
        .bind(&request.revision)
        .bind(&request.serial_number)
        .fetch_one(&mut *tx)
        .await?;
        attempts += 1;
        if request.repeat_of.is_none()
            && let Some(first) = first_of_same(&mut tx, request).await?
        {
            return Err(StoreError::AlreadyInspected { first });
        }
        let waiting: u32 = sqlx::query_scalar(WAITING).fetch_one(&mut *tx).await?;
        if waiting >= most_waiting {
            return Err(StoreError::Overloaded { waiting });
        }

        let id = self.ids.next();
        sqlx::query(
            "INSERT INTO inspection (id, caller, request_id, request_sha256, part, revision, serial_number,
                 sources_json, readings_json, scope_json, purpose, context_json, repeat_of, attempt, state, create_time)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'queued', ?)",
        )
        .bind(&id)
        .bind(caller)
        .bind(request_id)
        .bind(&request_sha256)
        .bind(&request.part)
        .bind(&request.revision)
        .bind(&request.serial_number)
        .bind(to_json(&request.sources))
        .bind(to_json(&request.readings))
        .bind(to_json(&request.scope_groups))
        .bind(request.purpose.word())
        .bind(to_json(&request.context))
        .bind(&request.repeat_of)
        .bind(attempts)
        .bind(now)
        .execute(&mut *tx)
        .await?;
        let detail = format!("request {request_id} {request_sha256}");
        audit::note(&mut tx, now, caller, "create_inspection", &format!("inspections/{id}"), &detail).await?;
        tx.commit().await?;
        self.inspection(&id).await
    }

    pub(in crate::store) async fn inspection(&self, id: &str) -> Result<Inspection, StoreError> {
        let row: Option<Row> = QueryBuilder::<Driver>::new("SELECT ")
            .push(WHOLE)
            .push(" FROM inspection WHERE id = ")
            .push_bind(id)
            .build_query_as()
            .fetch_optional(&self.reader)
            .await?;
        row.ok_or_else(|| StoreError::NotFound { name: format!("inspections/{id}") })?.read()
    }

    pub(in crate::store) async fn list_inspections(
        &self,
        filter: &Filter,
        before: Option<i64>,
        size: u32,
    ) -> Result<Page<Inspection>, StoreError> {
        let mut query = QueryBuilder::<Driver>::new("SELECT ");
        query.push(HEAD).push(" FROM inspection WHERE ord < ").push_bind(before.unwrap_or(i64::MAX));
        for (column, value) in
            [("part", &filter.part), ("revision", &filter.revision), ("serial_number", &filter.serial_number)]
        {
            if let Some(value) = value {
                query.push(" AND ").push(column).push(" = ").push_bind(value);
            }
        }
        query.push(" ORDER BY ord DESC LIMIT ").push_bind(i64::from(size) + 1);
        let rows: Vec<Row> = query.build_query_as().fetch_all(&self.reader).await?;
        page(rows, size, |r| r.ord, Row::read)
    }

    pub(in crate::store) async fn events_after(
        &self,
        sequence: i64,
        size: u32,
    ) -> Result<Vec<Inspection>, StoreError> {
        let rows: Vec<Row> = QueryBuilder::<Driver>::new("SELECT ")
            .push(WHOLE)
            .push(" FROM inspection WHERE sequence > ")
            .push_bind(sequence)
            .push(" ORDER BY sequence LIMIT ")
            .push_bind(i64::from(size))
            .build_query_as()
            .fetch_all(&self.reader)
            .await?;
        rows.into_iter().map(Row::read).collect()
    }
}

/// Whether everything a request names is there and may serve it.
async fn check_references(
    tx: &mut Transaction<'static, Driver>,
    request: &Request,
) -> Result<(), StoreError> {
    let revision = format!("parts/{}/revisions/{}", request.part, request.revision);
    let state: Option<String> = sqlx::query_scalar("SELECT state FROM revision WHERE part = ? AND id = ?")
        .bind(&request.part)
        .bind(&request.revision)
        .fetch_optional(&mut **tx)
        .await?;
    let word = state.ok_or_else(|| StoreError::NotFound { name: revision.clone() })?;
    let state = known(RevisionState::from_word(&word), "revision state", &word)?;
    if request.purpose == Purpose::Production && state != RevisionState::Released {
        return Err(StoreError::NotReleased { name: revision, state: state.word() });
    }
    let mut files: Vec<String> = Vec::new();
    for source in &request.sources {
        let name = format!("acquisitions/{}", source.acquisition);
        let found: Option<(bool, String)> =
            sqlx::query_as("SELECT simulated, blob FROM acquisition WHERE id = ?")
                .bind(&source.acquisition)
                .fetch_optional(&mut **tx)
                .await?;
        let (simulated, blob) = found.ok_or_else(|| StoreError::NotFound { name: name.clone() })?;
        if simulated && request.purpose != Purpose::Rehearsal {
            return Err(StoreError::Simulated { name });
        }
        if files.contains(&blob) {
            return Err(StoreError::Field {
                field: "inspection.sources",
                problem: format!(
                    "{name} is the same file as a source before it; its points would count twice"
                ),
            });
        }
        files.push(blob);
    }
    if let Some(repeated) = &request.repeat_of {
        let row: Option<(String, String, String, String)> =
            sqlx::query_as("SELECT part, revision, serial_number, sources_json FROM inspection WHERE id = ?")
                .bind(repeated)
                .fetch_optional(&mut **tx)
                .await?;
        let (part, revision, serial, sources) =
            row.ok_or_else(|| StoreError::NotFound { name: format!("inspections/{repeated}") })?;
        let same = part == request.part
            && revision == request.revision
            && serial == request.serial_number
            && sources == to_json(&request.sources);
        if !same {
            return Err(StoreError::Field {
                field: "inspection.repeat_of",
                problem: format!(
                    "inspections/{repeated} has another revision, serial number or sources; \
                     leave repeat_of out for a new scan"
                ),
            });
        }
    }
    Ok(())
}

/// The first inspection of the same revision, serial number, sources and readings.
async fn first_of_same(
    tx: &mut Transaction<'static, Driver>,
    request: &Request,
) -> Result<Option<String>, StoreError> {
    Ok(sqlx::query_scalar(
        "SELECT id FROM inspection WHERE part = ? AND revision = ? AND serial_number = ? AND sources_json = ?
         AND readings_json = ? ORDER BY ord LIMIT 1",
    )
    .bind(&request.part)
    .bind(&request.revision)
    .bind(&request.serial_number)
    .bind(to_json(&request.sources))
    .bind(to_json(&request.readings))
    .fetch_optional(&mut **tx)
    .await?)
}
