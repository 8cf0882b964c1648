//! Uploads and the blobs they become.

use sqlx::{Sqlite as Driver, Transaction};

use super::{Sqlite, audit, signed, unsigned};
use crate::store::{BlobRow, StoreError, Upload};

row! {
    struct Row {
        id: String,
        sha256: String,
        size_bytes: i64,
        offset_bytes: i64,
        complete: bool,
    }
}

impl Row {
    fn read(self) -> Result<Upload, StoreError> {
        Ok(Upload {
            size_bytes: unsigned(self.size_bytes, "upload size")?,
            offset_bytes: unsigned(self.offset_bytes, "upload offset")?,
            id: self.id,
            sha256: self.sha256,
            complete: self.complete,
        })
    }
}

/// Notes a blob whose file is in place; equal bytes are noted once.
pub(super) async fn keep_blob(
    tx: &mut Transaction<'static, Driver>,
    now: i64,
    caller: &str,
    blob: &BlobRow,
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO blob (sha256, size_bytes, create_time, caller) VALUES (?, ?, ?, ?)
         ON CONFLICT (sha256) DO NOTHING",
    )
    .bind(&blob.sha256)
    .bind(signed(blob.size_bytes, "blob size")?)
    .bind(now)
    .bind(caller)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

impl Sqlite {
    pub(in crate::store) async fn keep_blob(&self, caller: &str, blob: &BlobRow) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        keep_blob(&mut tx, now, caller, blob).await?;
        let (name, detail) = (format!("blobs/{}", blob.sha256), format!("{} bytes", blob.size_bytes));
        audit::note(&mut tx, now, caller, "store_blob", &name, &detail).await?;
        tx.commit().await?;
        Ok(())
    }

    pub(in crate::store) async fn begin_upload(
        &self,
        caller: &str,
        sha256: &str,
        size_bytes: u64,
    ) -> Result<Upload, StoreError> {
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let known: Option<i64> = sqlx::query_scalar("SELECT size_bytes FROM blob WHERE sha256 = ?")
            .bind(sha256)
            .fetch_optional(&mut *tx)
            .await?;
        let size = signed(size_bytes, "upload size")?;
        if known.is_some_and(|k| k != size) {
            return Err(StoreError::Field {
                field: "size_bytes",
                problem: format!("blobs/{sha256} is known with another size; check the file"),
            });
        }
        // One that broke off goes on where it stands, and one of bytes that are known need not be made again.
        let before: Option<Row> = sqlx::query_as(
            "SELECT id, sha256, size_bytes, offset_bytes, complete FROM upload
             WHERE sha256 = ? AND caller = ? AND size_bytes = ? AND complete = ? ORDER BY id LIMIT 1",
        )
        .bind(sha256)
        .bind(caller)
        .bind(size)
        .bind(known.is_some())
        .fetch_optional(&mut *tx)
        .await?;
        if let Some(before) = before {
            return before.read();
        }
        let upload = Upload {
            id: self.ids.next(),
            sha256: sha256.to_owned(),
            size_bytes,
            offset_bytes: if known.is_some() { size_bytes } else { 0 },
            complete: known.is_some(),
        };
        sqlx::query(
            "INSERT INTO upload (id, sha256, size_bytes, offset_bytes, complete, create_time, progress_time, caller)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(&upload.id)
        .bind(sha256)
        .bind(size)
        .bind(signed(upload.offset_bytes, "upload offset")?)
        .bind(upload.complete)
        .bind(now)
        .bind(now)
        .bind(caller)
        .execute(&mut *tx)
        .await?;
        tx.commit().await?;
        Ok(upload)
    }

    pub(in crate::store) async fn upload(&self, id: &str) -> Result<Upload, StoreError> {
        let row: Option<Row> =
            sqlx::query_as("SELECT id, sha256, size_bytes, offset_bytes, complete FROM upload WHERE id = ?")
                .bind(id)
                .fetch_optional(&self.reader)
                .await?;
        row.ok_or_else(|| StoreError::NotFound { name: format!("uploads/{id}") })?.read()
    }

    pub(in crate::store) async fn advance_upload(
        &self,
        id: &str,
        from: u64,
        to: u64,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE upload SET offset_bytes = ?, progress_time = ?
             WHERE id = ? AND offset_bytes = ? AND complete = 0",
        )
        .bind(signed(to, "upload offset")?)
        .bind(self.clock.now_us())
        .bind(id)
        .bind(signed(from, "upload offset")?)
        .execute(&mut *tx)
        .await?;
        tx.commit().await?;
        if done.rows_affected() == 1 {
            return Ok(());
        }
        let stands = self.upload(id).await?.offset_bytes;
        Err(StoreError::UploadOffset { upload: id.to_owned(), stands, sent: from })
    }

    pub(in crate::store) async fn complete_upload(
        &self,
        caller: &str,
        id: &str,
    ) -> Result<Upload, StoreError> {
        let mut upload = self.upload(id).await?;
        let mut tx = self.begin().await?;
        let now = self.clock.now_us();
        let blob = BlobRow { sha256: upload.sha256.clone(), size_bytes: upload.size_bytes };
        keep_blob(&mut tx, now, caller, &blob).await?;
        sqlx::query("UPDATE upload SET offset_bytes = size_bytes, complete = 1 WHERE id = ?")
            .bind(id)
            .execute(&mut *tx)
            .await?;
        let (name, detail) = (format!("blobs/{}", blob.sha256), format!("{} bytes", blob.size_bytes));
        audit::note(&mut tx, now, caller, "store_blob", &name, &detail).await?;
        tx.commit().await?;
        (upload.offset_bytes, upload.complete) = (upload.size_bytes, true);
        Ok(upload)
    }

    pub(in crate::store) async fn forget_uploads(&self, before_us: i64) -> Result<Vec<String>, StoreError> {
        let mut tx = self.begin().await?;
        let gone: Vec<String> =
            sqlx::query_scalar("DELETE FROM upload WHERE complete = 0 AND progress_time < ? RETURNING id")
                .bind(before_us)
                .fetch_all(&mut *tx)
                .await?;
        tx.commit().await?;
        Ok(gone)
    }

    pub(in crate::store) async fn blob(&self, sha256: &str) -> Result<BlobRow, StoreError> {
        let size: Option<i64> = sqlx::query_scalar("SELECT size_bytes FROM blob WHERE sha256 = ?")
            .bind(sha256)
            .fetch_optional(&self.reader)
            .await?;
        let size = size.ok_or_else(|| StoreError::NotFound { name: format!("blobs/{sha256}") })?;
        Ok(BlobRow { sha256: sha256.to_owned(), size_bytes: unsigned(size, "blob size")? })
    }
}
