//! CSV in memory, as the commands write it.

const IN_MEMORY: &str = "rows of one length, written to memory";

/// A table that grows by rows; cells are quoted where they must be.
pub struct Csv(csv::Writer<Vec<u8>>);

impl Csv {
    /// A table without rows.
    pub fn empty() -> Self {
        Csv(csv::Writer::from_writer(Vec::new()))
    }

    /// Adds a row.
    ///
    /// # Panics
    /// If it has another number of cells than the first.
    pub fn row<C: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = C>) {
        for cell in cells {
            self.0.write_field(cell.as_ref()).expect(IN_MEMORY);
        }
        self.0.write_record(None::<&[u8]>).expect(IN_MEMORY);
    }

    /// The whole as text.
    pub fn text(self) -> String {
        let bytes = self.0.into_inner().expect("writing to memory");
        String::from_utf8(bytes).expect("cells are text")
    }
}
