//! Prints what the exported module answers: `host TICKS SPAN NOMINAL_MV`.

fn main() {
    let number = |i: usize| std::env::args().nth(i).and_then(|word| word.parse::<u32>().ok()).unwrap_or(0);
    let mut line = |what: &str, number: u32, sum: u32| println!("{what} {number} {sum:08x}");
    module::drill_module(number(1), number(2) as u16, number(3) as u16, &mut line);
}
