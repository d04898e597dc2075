//! Rows as Apache Parquet: columns with types, in groups of rows, so that any number of exams can be
//! written with the memory of one group.

use std::io::Write;
use std::sync::Arc;

use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use ::parquet::column::writer::ColumnWriter;
use ::parquet::data_type::ByteArray;
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::Type;

use super::{COLUMNS, Cell, Kind, Row};

/// Rows held before they are written as one group.
const GROUP: usize = 16_384;

/// Writes rows as they come.
pub struct Writer<W: Write + Send> {
    out: SerializedFileWriter<W>,
    held: Vec<Row>,
}

fn into_io(e: ParquetError) -> std::io::Error {
    match e {
        ParquetError::External(e) => match e.downcast::<std::io::Error>() {
            Ok(e) => *e,
            Err(e) => std::io::Error::other(e),
        },
        other => std::io::Error::other(other.to_string()),
    }
}

fn column(name: &str, kind: Kind) -> Result<Type, ParquetError> {
    let (physical, logical) = match kind {
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Int => (Physical::INT64, None),
        Kind::Number => (Physical::DOUBLE, None),
        Kind::Bool => (Physical::BOOLEAN, None),
    };
    Type::primitive_type_builder(name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_logical_type(logical)
        .build()
}

fn schema() -> Result<Type, ParquetError> {
    let fields = COLUMNS
        .iter()
        .map(|(name, kind, _)| column(name, *kind).map(Arc::new))
        .collect::<Result<Vec<_>, _>>()?;
    Type::group_type_builder("findings").with_fields(fields).build()
}

impl<W: Write + Send> Writer<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// Those of writing.
    pub fn new(to: W) -> std::io::Result<Self> {
        let how = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(format!("cotside version {}", env!("CARGO_PKG_VERSION")))
            .build();
        let schema = schema().map_err(into_io)?;
        let out =
            SerializedFileWriter::new(to, Arc::new(schema), Arc::new(how)).map_err(into_io)?;
        Ok(Writer { out, held: Vec::new() })
    }

    /// Takes one row.
    ///
    /// # Errors
    /// Those of writing.
    pub fn row(&mut self, row: Row) -> std::io::Result<()> {
        self.held.push(row);
        if self.held.len() >= GROUP { self.group().map_err(into_io) } else { Ok(()) }
    }

    /// Writes what is held and ends the file.
    ///
    /// # Errors
    /// Those of writing.
    pub fn finish(mut self) -> std::io::Result<()> {
        if !self.held.is_empty() {
            self.group().map_err(into_io)?;
        }
        self.out.close().map_err(into_io)?;
        Ok(())
    }

    fn group(&mut self) -> Result<(), ParquetError> {
        let rows = std::mem::take(&mut self.held);
        let mut group = self.out.next_row_group()?;
        let mut k = 0;
        while let Some(mut col) = group.next_column()? {
            // 1 where there is a value, 0 where there is none.
            let defined: Vec<i16> = rows.iter().map(|r| i16::from(r[k] != Cell::Empty)).collect();
            let cells = rows.iter().map(|r| &r[k]);
            match col.untyped() {
                ColumnWriter::ByteArrayColumnWriter(w) => {
                    let of = |c: &Cell| match c {
                        Cell::Text(t) => Some(ByteArray::from(t.as_str())),
                        _ => None,
                    };
                    w.write_batch(&cells.filter_map(of).collect::<Vec<_>>(), Some(&defined), None)?;
                }
                ColumnWriter::Int64ColumnWriter(w) => {
                    let of = |c: &Cell| match c {
                        Cell::Int(n) => Some(*n),
                        _ => None,
                    };
                    w.write_batch(&cells.filter_map(of).collect::<Vec<_>>(), Some(&defined), None)?;
                }
                ColumnWriter::DoubleColumnWriter(w) => {
                    let of = |c: &Cell| match c {
                        Cell::Number(n) => Some(*n),
                        _ => None,
                    };
                    w.write_batch(&cells.filter_map(of).collect::<Vec<_>>(), Some(&defined), None)?;
                }
                ColumnWriter::BoolColumnWriter(w) => {
                    let of = |c: &Cell| match c {
                        Cell::Bool(b) => Some(*b),
                        _ => None,
                    };
                    w.write_batch(&cells.filter_map(of).collect::<Vec<_>>(), Some(&defined), None)?;
                }
                // The schema above has no other kind.
                _ => return Err(ParquetError::General("a column of an unknown kind".into())),
            }
            col.close()?;
            k += 1;
        }
        group.close()?;
        Ok(())
    }
}
