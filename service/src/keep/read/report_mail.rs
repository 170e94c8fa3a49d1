//! Reports that were mailed, and how many wait.

use super::Reader;
use crate::keep::KeepError;
use crate::keep::report_mail::ReportMail;

impl Reader {
    /// Of an asset, newest first.
    ///
    /// # Errors
    /// They cannot be read.
    pub fn report_mail(&self, asset: &str, most: u32) -> Result<Vec<ReportMail>, KeepError> {
        let sql =
            format!("SELECT {} FROM mail_reports WHERE asset = ?1 ORDER BY number DESC LIMIT ?2", ReportMail::COLUMNS);
        self.all(&sql, (asset, most), ReportMail::read)
    }

    /// Of all assets, those that wait.
    ///
    /// # Errors
    /// They cannot be counted.
    pub fn report_mail_waiting(&self) -> Result<u64, KeepError> {
        let counted =
            self.all("SELECT count(*) FROM mail_reports WHERE ended IS NULL", [], |row| row.get::<_, i64>(0))?;
        Ok(counted.first().map_or(0, |count| count.cast_unsigned()))
    }
}
