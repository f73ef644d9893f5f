//! Names of the recorder's files.

use std::time::{Duration, UNIX_EPOCH};

use withy::runtime::recorder::{own_name, utc_words};

#[test]
fn times_are_those_of_the_calendar() {
    // By GNU date: `date -u -d @N`.
    for (seconds, words) in [
        (0, "19700101T000000.250Z"),
        (951_782_400, "20000229T000000.250Z"),
        (951_868_799, "20000229T235959.250Z"),
        (951_868_800, "20000301T000000.250Z"),
        (1_709_164_799, "20240228T235959.250Z"),
        (1_735_689_599, "20241231T235959.250Z"),
        (1_735_689_600, "20250101T000000.250Z"),
        (4_107_542_400, "21000301T000000.250Z"),
    ] {
        let time = UNIX_EPOCH + Duration::from_millis(seconds * 1000 + 250);
        assert_eq!(utc_words(time).0, words);
    }
    let time = UNIX_EPOCH + Duration::from_millis(1_709_164_799_007);
    assert_eq!(utc_words(time).1, "2024-02-28T23:59:59.007Z");
}

#[test]
fn own_names_are_distinguished_from_others() {
    let own = "garden.neck-20240228T235959.250Z-imu_frozen.csv";
    assert!(own_name(own, "garden.neck"));
    assert!(own_name(&own.replace("frozen", "frozen-2"), "garden.neck"));
    for other in [
        own.replace("garden", "meadow"),
        own.replace(".csv", ".csv.part"),
        own.replace(".csv", ".txt"),
        own.replace("-imu_frozen", ""),
        own.replace("imu_frozen", ""),
        own.replace("imu_frozen", "My Notes"),
        own.replace("Z", ""),
        own.replace("2024", "2O24"),
        own.replace("neck", "neck2"),
        format!("copy of {own}"),
    ] {
        assert!(!own_name(&other, "garden.neck"), "{other}");
    }
}
