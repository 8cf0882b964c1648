//! Claims on inspections: taken, prolonged, handed back, ended. Only the holder of the latest fence may
//! end an inspection, so that work which was given up for dead cannot speak afterwards.

use super::inspections::{Row, verdict_word};
use super::uploads::keep_blob;
use super::{Sqlite, audit};
use crate::store::{Claim, ClaimError, LOCAL_CALLER, Outcome, State, StoreError};

impl Sqlite {
    pub(in crate::store) async fn claim(&self, lease_us: i64) -> Result<Option<Claim>, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let row: Option<Row> = sqlx::query_as(
            "UPDATE inspection SET state = 'running', fence = fence + 1, starts = starts + 1, lease_until = ?
             WHERE ord = (SELECT ord FROM inspection
                          WHERE state IN ('queued', 'running') AND (state = 'queued' OR lease_until < ?)
                          ORDER BY ord LIMIT 1)
             RETURNING *",
        )
        .bind(now.saturating_add(lease_us))
        .bind(now)
        .fetch_optional(&mut *tx)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let (fence, starts) = (row.fence, row.starts);
        let inspection = row.read()?;
        tx.commit().await?;
        Ok(Some(Claim { inspection, fence, starts: u32::try_from(starts).unwrap_or(u32::MAX) }))
    }

    pub(in crate::store) async fn heartbeat(&self, claim: &Claim, lease_us: i64) -> Result<(), ClaimError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE inspection SET lease_until = ? WHERE id = ? AND state = 'running' AND fence = ?",
        )
        .bind(self.clock.now_us().saturating_add(lease_us))
        .bind(&claim.inspection.id)
        .bind(claim.fence)
        .execute(&mut *tx)
        .await?;
        tx.commit().await?;
        held(claim, done.rows_affected())
    }

    pub(in crate::store) async fn finish(&self, claim: &Claim, outcome: &Outcome) -> Result<i64, ClaimError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        // One writer, and the number is taken inside the transaction: order of numbers is order of commits.
        let sequence: i64 = sqlx::query_scalar("SELECT coalesce(max(sequence), 0) + 1 FROM inspection")
            .fetch_one(&mut *tx)
            .await?;
        let (state, verdict, reason, result, failure, report, deviation) = match outcome {
            Outcome::Done { verdict, reason, result_json, result_sha256, report, deviation } => (
                State::Done,
                Some(verdict_word(*verdict)),
                reason,
                Some((result_json, result_sha256)),
                None,
                report.as_ref(),
                deviation.as_ref(),
            ),
            Outcome::Failed { failure, reason } => {
                (State::Failed, None, reason, None, Some(failure.word()), None, None)
            }
        };
        for blob in [report, deviation].into_iter().flatten() {
            keep_blob(&mut tx, now, LOCAL_CALLER, blob).await?;
        }
        let done = sqlx::query(
            "UPDATE inspection SET state = ?, verdict = ?, reason = ?, result_json = ?, result_sha256 = ?,
                 report_sha256 = ?, deviation_sha256 = ?, failure = ?, finish_time = ?, sequence = ?, lease_until = NULL
             WHERE id = ? AND state = 'running' AND fence = ?",
        )
        .bind(state.word())
        .bind(verdict)
        .bind(reason)
        .bind(result.map(|r| r.0))
        .bind(result.map(|r| r.1))
        .bind(report.map(|r| &r.sha256))
        .bind(deviation.map(|r| &r.sha256))
        .bind(failure)
        .bind(now)
        .bind(sequence)
        .bind(&claim.inspection.id)
        .bind(claim.fence)
        .execute(&mut *tx)
        .await?;
        held(claim, done.rows_affected())?;
        let detail = match (result, failure) {
            (Some((_, sha256)), _) => {
                format!("sequence {sequence} {} result {sha256}", verdict.unwrap_or_default())
            }
            (None, failure) => format!("sequence {sequence} failed {}", failure.unwrap_or_default()),
        };
        let name = format!("inspections/{}", claim.inspection.id);
        audit::note(&mut tx, now, LOCAL_CALLER, "finish_inspection", &name, &detail).await?;
        tx.commit().await?;
        Ok(sequence)
    }

    pub(in crate::store) async fn hand_back(&self, claim: &Claim) -> Result<(), ClaimError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE inspection SET state = 'queued', lease_until = NULL, starts = starts - 1
             WHERE id = ? AND state = 'running' AND fence = ?",
        )
        .bind(&claim.inspection.id)
        .bind(claim.fence)
        .execute(&mut *tx)
        .await?;
        tx.commit().await?;
        held(claim, done.rows_affected())
    }

    pub(in crate::store) async fn requeue_stale(&self) -> Result<u64, StoreError> {
        let mut tx = self.begin().await?;
        let done =
            sqlx::query("UPDATE inspection SET state = 'queued', lease_until = NULL WHERE state = 'running'")
                .execute(&mut *tx)
                .await?;
        tx.commit().await?;
        Ok(done.rows_affected())
    }
}

fn held(claim: &Claim, rows: u64) -> Result<(), ClaimError> {
    if rows == 1 { Ok(()) } else { Err(ClaimError::LostLease { inspection: claim.inspection.id.clone() }) }
}
