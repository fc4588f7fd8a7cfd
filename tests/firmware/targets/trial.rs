//! Drives given readings through both controllers of a trial, policy 1 wanted throughout, and prints the recording, each byte
//! as two hexadecimal digits. Lines of the file: whether it is a new start, the lap, a reading.

mod lowgear;
mod lowgear_against;
mod lowgear_trial;

fn main() {
    assert!(lowgear_trial::self_test() && lowgear::self_test() && lowgear_against::self_test());
    let file = std::env::args().nth(1).expect("a file");
    let text = std::fs::read_to_string(file).expect("readings");
    let mut trial = lowgear_trial::Trial::new(1);
    for line in text.lines() {
        let words: Vec<i32> = line.split(',').map(|word| word.parse().expect("a number")).collect();
        if words[0] != 0 {
            trial = lowgear_trial::Trial::new(1);
        }
        let raw = lowgear::Raw {
            encoder_counts: words[2] as u16,
            battery_mv: words[3] as u16,
            current_ma: words[4] as i16,
            tilt_ddeg: words[5] as i16,
            duty_permille: words[6] as u16,
            selector_ddeg: words[7] as u16,
            preview: words[8] as i16,
        };
        trial.tick(&raw, 1, words[1] as u8, |bytes| {
            println!("{}", bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>());
        });
    }
}
