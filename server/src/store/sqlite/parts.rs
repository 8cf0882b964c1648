//! Parts.

use super::{Sqlite, audit};
use crate::store::{Part, StoreError};

row! {
    struct Row {
        id: String,
        title: String,
        create_time: i64,
        released: Option<String>,
    }
}

impl From<Row> for Part {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            title: row.title,
            create_time_us: row.create_time,
            released_revision: row.released,
        }
    }
}

impl Sqlite {
    pub(in crate::store) async fn create_part(
        &self,
        caller: &str,
        id: &str,
        title: &str,
    ) -> Result<Part, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let done = sqlx::query(
            "INSERT INTO part (id, title, create_time, caller) VALUES (?, ?, ?, ?) ON CONFLICT (id) DO NOTHING",
        )
        .bind(id)
        .bind(title)
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        let name = format!("parts/{id}");
        if done.rows_affected() == 0 {
            return Err(StoreError::AlreadyExists { name });
        }
        audit::note(&mut tx, now, caller, "create_part", &name, title).await?;
        tx.commit().await?;
        Ok(Part { id: id.to_owned(), title: title.to_owned(), create_time_us: now, released_revision: None })
    }

    pub(in crate::store) async fn part(&self, id: &str) -> Result<Part, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, title, create_time,
                 (SELECT r.id FROM revision r WHERE r.part = part.id AND r.state = 'released') AS released
             FROM part WHERE id = ?",
        )
        .bind(id)
        .fetch_optional(&self.reader)
        .await?;
        row.map(Part::from).ok_or_else(|| StoreError::NotFound { name: format!("parts/{id}") })
    }

    pub(in crate::store) async fn list_parts(
        &self,
        after: &str,
        size: u32,
    ) -> Result<(Vec<Part>, Option<String>), StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, title, create_time,
                 (SELECT r.id FROM revision r WHERE r.part = part.id AND r.state = 'released') AS released
             FROM part WHERE id > ? ORDER BY id LIMIT ?",
        )
        .bind(after)
        .bind(i64::from(size) + 1)
        .fetch_all(&self.reader)
        .await?;
        let mut parts: Vec<Part> = rows.into_iter().map(Part::from).collect();
        // One more than asked for tells whether another page follows.
        let more = parts.len() > size as usize;
        parts.truncate(size as usize);
        let next = if more { parts.last().map(|p| p.id.clone()) } else { None };
        Ok((parts, next))
    }
}
