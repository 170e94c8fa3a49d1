//! The recording in this folder is the one the generator makes: to the last digit, read back column by column.

use std::fs::File;
use std::path::PathBuf;

use parquet::column::reader::ColumnReader;
use parquet::data_type::{ByteArray, Int64Type};
use parquet::file::reader::{FileReader, SerializedFileReader};
use roundsman_replay_data::{Options, PlanChoice, START_SECS, simulate, write};

const AGAIN: &str = "run `cargo run --release -p roundsman-replay-data -- --out replay-data/quillhaven`";

#[test]
fn the_recording_in_this_folder_is_what_the_generator_makes() {
    let folder = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/quillhaven"));
    let options = Options { seed: 1, days: 60, cadence_secs: 300, plan: PlanChoice::Fixed };
    let recording = simulate(&options, |_| {}).expect("the options are in range");
    let text = |name: &str| std::fs::read_to_string(folder.join(name)).expect("the file is in the repository");
    let about = write::about_text(&recording).expect("it can be spelled");
    assert!(text(write::ABOUT_FILE) == about, "{} is not what is made now: {AGAIN}", write::ABOUT_FILE);
    let labels = write::labels_text(&recording);
    assert!(text(write::LABELS_FILE) == labels, "{} is not what is made now: {AGAIN}", write::LABELS_FILE);
    let config = write::config_text(&recording);
    assert!(text(write::CONFIG_FILE) == config, "{} is not what is made now: {AGAIN}", write::CONFIG_FILE);

    let path = folder.join(write::READINGS_FILE);
    let bytes = path.metadata().expect("the file is in the repository").len();
    assert!(bytes <= 6_000_000, "{bytes} bytes is more than a repository should carry");
    let reader = SerializedFileReader::new(File::open(&path).expect("it opens")).expect("it is Parquet");
    let mut number = 0;
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group).expect("the group is there");
        let rows = usize::try_from(group.metadata().num_rows()).expect("a count");
        let times: Vec<i64> = match group.get_column_reader(0).expect("a column") {
            ColumnReader::Int64ColumnReader(mut column) => read::<Int64Type>(&mut column, rows),
            _ => panic!("time is not an integer"),
        };
        let names: Vec<Vec<ByteArray>> = [1, 2]
            .into_iter()
            .map(|index| match group.get_column_reader(index).expect("a column") {
                ColumnReader::ByteArrayColumnReader(mut column) => read(&mut column, rows),
                _ => panic!("column {index} is not text"),
            })
            .collect();
        let values: Vec<f64> = match group.get_column_reader(3).expect("a column") {
            ColumnReader::DoubleColumnReader(mut column) => read(&mut column, rows),
            _ => panic!("value is not a double"),
        };
        for at in 0..rows {
            let row = recording.rows[number];
            let asset = &recording.about.assets[usize::from(row.asset)];
            let point = &asset.points[usize::from(row.point)];
            let made = ((START_SECS + row.secs) * 1_000_000, asset.name.as_bytes(), point.name.as_bytes(), row.value);
            let kept = (times[at], names[0][at].data(), names[1][at].data(), values[at]);
            assert!(made == kept, "row {number}: made {made:?}, in the folder {kept:?}: {AGAIN}");
            number += 1;
        }
    }
    assert_eq!(number, recording.rows.len());
}

fn read<T: parquet::data_type::DataType>(
    column: &mut parquet::column::reader::ColumnReaderImpl<T>,
    rows: usize,
) -> Vec<T::T> {
    let mut values = Vec::with_capacity(rows);
    let (records, ..) = column.read_records(rows, None, None, &mut values).expect("the column reads");
    assert_eq!(records, rows);
    values
}
