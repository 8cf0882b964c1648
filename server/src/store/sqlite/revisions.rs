//! Revisions of parts.

use super::{Sqlite, audit, from_json, known, page, to_json, unit, unit_word};
use crate::store::{NeighbourFile, NewRevision, Page, Revision, RevisionState, StoreError};

row! {
    struct Row {
        ord: i64,
        part: String,
        id: String,
        state: String,
        plan_json: String,
        plan_sha256: String,
        plan_source: String,
        nominal_sha256: Option<String>,
        nominal_unit: Option<String>,
        bound_json: String,
        remarks_json: String,
        neighbours_json: String,
        create_time: i64,
        release_time: Option<i64>,
    }
}

impl Row {
    fn read(self) -> Result<Revision, StoreError> {
        Ok(Revision {
            state: known(RevisionState::from_word(&self.state), "revision state", &self.state)?,
            create_time_us: self.create_time,
            release_time_us: self.release_time,
            content: NewRevision {
                nominal: match (self.nominal_sha256, self.nominal_unit) {
                    (Some(sha256), Some(word)) => Some((sha256, Some(unit(&word)?))),
                    (Some(sha256), None) => Some((sha256, None)),
                    (None, _) => None,
                },
                bound: from_json(&self.bound_json, "bound features")?,
                remarks: from_json(&self.remarks_json, "remarks")?,
                neighbours: neighbours_of(&self.neighbours_json)?,
                part: self.part,
                id: self.id,
                plan_json: self.plan_json,
                plan_sha256: self.plan_sha256,
                plan_source: self.plan_source,
            },
        })
    }
}

/// A neighbour's nominal as the column holds it.
#[derive(serde::Serialize, serde::Deserialize)]
struct Kept {
    id: String,
    sha256: String,
    unit: Option<String>,
}

fn neighbours_json(all: &[NeighbourFile]) -> String {
    let kept = |n: &NeighbourFile| Kept {
        id: n.id.clone(),
        sha256: n.sha256.clone(),
        unit: n.unit.map(|u| unit_word(u).to_owned()),
    };
    to_json(&all.iter().map(kept).collect::<Vec<_>>())
}

fn neighbours_of(text: &str) -> Result<Vec<NeighbourFile>, StoreError> {
    let kept: Vec<Kept> = from_json(text, "neighbours")?;
    let read = |k: Kept| {
        let unit = k.unit.as_deref().map(unit).transpose()?;
        Ok(NeighbourFile { id: k.id, sha256: k.sha256, unit })
    };
    kept.into_iter().map(read).collect()
}

fn name(part: &str, id: &str) -> String {
    format!("parts/{part}/revisions/{id}")
}

impl Sqlite {
    pub(in crate::store) async fn create_revision(
        &self,
        caller: &str,
        new: &NewRevision,
    ) -> Result<Revision, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let part: Option<i64> = sqlx::query_scalar("SELECT ord FROM part WHERE id = ?")
            .bind(&new.part)
            .fetch_optional(&mut *tx)
            .await?;
        if part.is_none() {
            return Err(StoreError::NotFound { name: format!("parts/{}", new.part) });
        }
        let done = sqlx::query(
            "INSERT INTO revision (part, id, state, plan_json, plan_sha256, plan_source, nominal_sha256,
                 nominal_unit, bound_json, remarks_json, neighbours_json, create_time, caller)
             VALUES (?, ?, 'draft', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (part, id) DO NOTHING",
        )
        .bind(&new.part)
        .bind(&new.id)
        .bind(&new.plan_json)
        .bind(&new.plan_sha256)
        .bind(&new.plan_source)
        .bind(new.nominal.as_ref().map(|n| &n.0))
        .bind(new.nominal.as_ref().and_then(|n| n.1).map(unit_word))
        .bind(to_json(&new.bound))
        .bind(to_json(&new.remarks))
        .bind(neighbours_json(&new.neighbours))
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        let name = name(&new.part, &new.id);
        if done.rows_affected() == 0 {
            return Err(StoreError::AlreadyExists { name });
        }
        let nominal = new.nominal.as_ref().map_or("none", |n| n.0.as_str());
        let mut detail = format!("plan {} nominal {nominal}", new.plan_sha256);
        for neighbour in &new.neighbours {
            detail.push_str(&format!(" neighbour {}", neighbour.sha256));
        }
        audit::note(&mut tx, now, caller, "create_revision", &name, &detail).await?;
        tx.commit().await?;
        Ok(Revision {
            content: new.clone(),
            state: RevisionState::Draft,
            create_time_us: now,
            release_time_us: None,
        })
    }

    pub(in crate::store) async fn revision(&self, part: &str, id: &str) -> Result<Revision, StoreError> {
        let row: Option<Row> = sqlx::query_as("SELECT * FROM revision WHERE part = ? AND id = ?")
            .bind(part)
            .bind(id)
            .fetch_optional(&self.reader)
            .await?;
        row.ok_or_else(|| StoreError::NotFound { name: name(part, id) })?.read()
    }

    pub(in crate::store) async fn list_revisions(
        &self,
        part: &str,
        after: i64,
        size: u32,
    ) -> Result<Page<Revision>, StoreError> {
        self.part(part).await?;
        let rows: Vec<Row> =
            sqlx::query_as("SELECT * FROM revision WHERE part = ? AND ord > ? ORDER BY ord LIMIT ?")
                .bind(part)
                .bind(after)
                .bind(i64::from(size) + 1)
                .fetch_all(&self.reader)
                .await?;
        page(rows, size, |r| r.ord, Row::read)
    }

    pub(in crate::store) async fn other_nominals(
        &self,
        part: &str,
        id: &str,
        most: u32,
    ) -> Result<Vec<Revision>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT * FROM revision WHERE ord IN (
                 SELECT max(ord) FROM revision WHERE part = ?1 AND nominal_sha256 <>
                     (SELECT nominal_sha256 FROM revision WHERE part = ?1 AND id = ?2)
                 GROUP BY nominal_sha256)
             ORDER BY ord DESC LIMIT ?3",
        )
        .bind(part)
        .bind(id)
        .bind(i64::from(most))
        .fetch_all(&self.reader)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }

    pub(in crate::store) async fn release_revision(
        &self,
        caller: &str,
        part: &str,
        id: &str,
    ) -> Result<Revision, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let row: Option<Row> = sqlx::query_as("SELECT * FROM revision WHERE part = ? AND id = ?")
            .bind(part)
            .bind(id)
            .fetch_optional(&mut *tx)
            .await?;
        let mut revision = row.ok_or_else(|| StoreError::NotFound { name: name(part, id) })?.read()?;
        if revision.state != RevisionState::Draft {
            return Err(StoreError::NotDraft { name: name(part, id), state: revision.state.word() });
        }
        let before: Option<String> = sqlx::query_scalar(
            "UPDATE revision SET state = 'superseded' WHERE part = ? AND state = 'released' RETURNING id",
        )
        .bind(part)
        .fetch_optional(&mut *tx)
        .await?;
        sqlx::query("UPDATE revision SET state = 'released', release_time = ? WHERE part = ? AND id = ?")
            .bind(now)
            .bind(part)
            .bind(id)
            .execute(&mut *tx)
            .await?;
        let detail = before.map_or_else(String::new, |b| format!("supersedes {}", name(part, &b)));
        audit::note(&mut tx, now, caller, "release_revision", &name(part, id), &detail).await?;
        tx.commit().await?;
        revision.state = RevisionState::Released;
        revision.release_time_us = Some(now);
        Ok(revision)
    }
}
