//! Drives given readings through a controller with a memory of the way, and prints what it asks the guard for, the position and
//! the counter, line by line. Lines of the file: whether a lap begins, a reading.

mod lowgear;
mod lowgear_laps;

fn main() {
    assert!(lowgear_laps::self_test() && lowgear::self_test());
    let file = std::env::args().nth(1).expect("a file");
    let text = std::fs::read_to_string(file).expect("readings");
    let mut laps = lowgear_laps::Laps::new();
    let mut controller = lowgear::Controller::new(0);
    for line in text.lines() {
        let words: Vec<i32> = line.split(',').map(|word| word.parse().expect("a number")).collect();
        if words[0] != 0 {
            laps.begin();
        }
        let raw = lowgear::Raw {
            encoder_counts: words[1] as u16,
            battery_mv: words[2] as u16,
            current_ma: words[3] as i16,
            tilt_ddeg: words[4] as i16,
            duty_permille: words[5] as u16,
            selector_ddeg: words[6] as u16,
            preview: words[7] as i16,
        };
        let due = laps.sense(&mut controller, &raw);
        let request = if due { laps.decide(&controller) } else { lowgear::Request::Hold };
        controller.act(request, due);
        println!("{} {} {}", request as u8, laps.position_mm(), laps.needless());
    }
}
