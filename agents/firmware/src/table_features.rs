//! What the exported controller needs for one table or network and one vehicle; the rest is left out of it.

use std::collections::BTreeSet;

use lowgear_onboard::{Feature, MAX_GEARS, Settings};
use sha2::{Digest, Sha256};

use super::decider::Decider;
use super::laps::SEEN;

/// Permille of no-load speed, times mV, from which the speed is 2000 permille at any voltage.
const MOST_PRODUCT: u32 = 2000 * 65_535;
const MOST_COUNTS: u32 = 2000;
/// Largest filter shift, and largest failure window in ticks, that the onboard arithmetic uses.
const MAX_SHIFT: u8 = 15;
const MAX_FAILED_WINDOW: u16 = 999;
/// Longest way of an encoder count in the onboard arithmetic, mm times 4096.
const MOST_COUNT_WAY: u32 = (1 << 21) - 1;
/// The tilt feature ends here, so a limit beyond is none.
const MAX_TILT_DDEG: i16 = 30_000;

/// A constant of the controller: `bits` is its width.
#[derive(Clone, Debug)]
pub(super) struct Constant {
    pub(super) name: &'static str,
    pub(super) value: i64,
    pub(super) bits: u8,
    pub(super) meaning: &'static str,
}

/// A clock that counts ticks up to a limit: `wide` when a byte is too small for it.
#[derive(Clone, Debug)]
pub(super) struct Clock {
    pub(super) name: &'static str,
    pub(super) most: u16,
    pub(super) wide: bool,
    pub(super) meaning: &'static str,
}

/// See the module.
#[derive(Clone, Debug)]
pub(super) struct TableFeatures {
    pub(super) set: BTreeSet<&'static str>,
    pub(super) constants: Vec<Constant>,
    pub(super) clocks: Vec<Clock>,
    pub(super) gear_ddeg: Vec<u16>,
    pub(super) gear_scale: Vec<u16>,
    /// Way of an encoder count in each gear, mm times 4096.
    pub(super) count_way: Vec<u32>,
    /// Added to features and edges, so that none is negative.
    pub(super) bias: u16,
}

impl TableFeatures {
    /// `laps` says that the way is learned lap by lap, which takes features of its own.
    pub(super) fn of(decider: Decider<'_>, settings: &Settings, laps: bool) -> TableFeatures {
        let gears = usize::from(settings.guard.gears).clamp(1, MAX_GEARS);
        let set = parts(decider, settings, laps);
        let constants = constants(settings, &set);
        TableFeatures {
            clocks: clocks(settings, &set),
            constants,
            set,
            gear_ddeg: settings.guard.gear_ddeg[..gears].to_vec(),
            gear_scale: settings.features.gear_scale_permille[..gears].to_vec(),
            count_way: count_way(settings, gears),
            bias: decider.bias(),
        }
    }

    pub(super) fn has(&self, part: &str) -> bool {
        self.set.contains(part)
    }
}

/// Way of an encoder count in each gear, mm times 4096.
pub(super) fn count_way(settings: &Settings, gears: usize) -> Vec<u32> {
    settings.features.preview.count_q12_mm[..gears].iter().map(|&way| way.min(MOST_COUNT_WAY)).collect()
}

/// Names of the parts that this table or network needs, and the memory of the laps.
fn parts(decider: Decider<'_>, settings: &Settings, laps: bool) -> BTreeSet<&'static str> {
    let seen = decider.features();
    let on_axis = |feature| seen.contains(&feature) || laps && SEEN.contains(&feature);
    let (features, guard, ranges) = (&settings.features, &settings.guard, &settings.ranges);
    let (motor, ratio) = (on_axis(Feature::MotorSpeed), on_axis(Feature::SpeedRatio));
    let (slow, peak) = (on_axis(Feature::LoadSlow), on_axis(Feature::LoadPeak));
    let tilt_limit = guard.tilt_limit_ddeg <= MAX_TILT_DDEG;
    let tilt = on_axis(Feature::Tilt) || tilt_limit;
    let (since, count) = (on_axis(Feature::SinceFailed), on_axis(Feature::FailedCount));
    let (load, stalled) = (slow || peak, on_axis(Feature::Stalled));
    let ratio_use = ratio || load;
    let longest = count_way(settings, MAX_GEARS).into_iter().fold(0, u32::max);
    let ahead = on_axis(Feature::StrikeClass) || on_axis(Feature::StrikeMm);
    let codes = match decider {
        Decider::Table(table) => {
            (0..table.count()).any(|cell| table.cells()[cell / 4] >> (2 * (cell % 4)) & 3 == 3)
        }
        Decider::Network(_) => false,
    };
    [
        ("table", matches!(decider, Decider::Table(_))),
        ("network", matches!(decider, Decider::Network(_))),
        ("laps", laps),
        ("motor", motor),
        ("ratio_use", ratio_use),
        ("ratio_filter", ratio || peak),
        ("slow", slow),
        ("peak", peak),
        ("load", load),
        ("high_load", features.gear_scale_permille.iter().any(|&scale| scale > 30_000)),
        ("stalled", stalled),
        ("speed", motor || ratio_use || stalled),
        ("quotient", motor || ratio_use),
        ("fresh", motor || ratio || peak),
        ("speed_filter", motor || ratio || slow || peak),
        ("slow_filter", slow && features.slow_shift & MAX_SHIFT > 10),
        ("tilt", tilt),
        ("tilt_limit", tilt_limit),
        ("battery", features.battery_fitted),
        ("battery_axis", on_axis(Feature::Battery) && features.battery_fitted),
        ("current_axis", on_axis(Feature::Current) && features.stall_ma != 0),
        ("dwell_axis", on_axis(Feature::Dwell)),
        ("failure", since || count),
        ("since_failed", since),
        ("failed_count", count),
        ("gear_clock", on_axis(Feature::Dwell) || since || count),
        ("preview", ahead && features.preview.fitted),
        ("many_counts", ranges.max_encoder_counts > MOST_COUNTS as u16),
        ("long_counts", longest > u32::from(u16::MAX)),
        ("long_ticks", longest.saturating_mul(ranges.max_encoder_counts.into()) >= 1 << 24),
        ("cut_lead", guard.cut_lead_ticks != 0),
        ("spare_code", codes),
        ("wraps", wraps(settings)),
        ("battery_range", ranges.battery_mv != [0, u16::MAX]),
        ("current_range", ranges.max_current_ma != u16::MAX),
        ("tilt_range", ranges.max_tilt_ddeg != u16::MAX),
    ]
    .into_iter()
    .filter_map(|(name, set)| set.then_some(name))
    .collect()
}

/// Whether the surroundings of a gear reach beyond the ends of the turn, or its angle does.
fn wraps(settings: &Settings) -> bool {
    let guard = &settings.guard;
    let around = guard.leave_ddeg.max(guard.window_ddeg);
    let gears = usize::from(guard.gears).clamp(1, MAX_GEARS);
    guard.gear_ddeg[..gears].iter().any(|&angle| angle < around || angle > 3599u16.saturating_sub(around))
}

fn constants(settings: &Settings, set: &BTreeSet<&'static str>) -> Vec<Constant> {
    let (features, guard, ranges) = (&settings.features, &settings.guard, &settings.ranges);
    let gain = features.speed_gain.min(MOST_PRODUCT);
    let counts = if gain == 0 { MOST_COUNTS } else { MOST_PRODUCT.div_ceil(gain).min(MOST_COUNTS) };
    let top = u16::from(guard.gears).clamp(1, MAX_GEARS as u16) - 1;
    let shift = |value: u8| i64::from(value & MAX_SHIFT);
    let mut list = Vec::new();
    let mut add = |part: &str, name, value: i64, bits, meaning| {
        if part.is_empty() || set.contains(part) {
            list.push(Constant { name, value, bits, meaning });
        }
    };
    add("", "TOP_GEAR", top.into(), 8, "highest gear, the lowest is 0");
    add("", "DECISION_TICKS", settings.decision_ticks.into(), 16, "ticks between two decisions");
    add("", "TICK_US", settings.tick_us.into(), 32, "length of a tick, microseconds");
    add("", "PULSES_PER_TURN", settings.pulses_per_turn.into(), 16, "encoder pulses per turn of the motor");
    let most_counts = ranges.max_encoder_counts.into();
    add("", "MAX_ENCODER_COUNTS", most_counts, 16, "more in a tick is a fault");
    let mv = |volts: u16| i64::from(volts);
    add("battery_range", "LEAST_BATTERY_MV", mv(ranges.battery_mv[0]), 16, "less is a fault");
    add("battery_range", "MOST_BATTERY_MV", mv(ranges.battery_mv[1]), 16, "more is a fault");
    add("battery_range", "LEAST_STANDING_MV", mv(ranges.standing_mv[0]), 16, "at least, standing");
    add("battery_range", "MOST_STANDING_MV", mv(ranges.standing_mv[1]), 16, "at most, standing");
    let current = ranges.max_current_ma.min(32_767).into();
    add("current_range", "MAX_CURRENT_MA", current, 15, "more either way is a fault");
    let tilt = ranges.max_tilt_ddeg.min(32_767).into();
    add("tilt_range", "MAX_TILT_DDEG", tilt, 15, "more either way is a fault");
    add("", "SPEED_GAIN", gain.into(), 32, "permille times mV per encoder count");
    add("quotient", "MOST_COUNTS", counts.into(), 16, "more pulses a tick tell nothing further");
    add("", "NOMINAL_MV", features.nominal_mv.into(), 16, "nominal battery voltage");
    add("motor", "NOMINAL_DIVISOR", features.nominal_mv.max(1).into(), 16, "the same, never 0");
    let nominal = i64::from(features.nominal_mv.max(1));
    add("battery_axis", "BATTERY_MV", nominal, 16, "battery voltage that counts as 1000 permille");
    add("current_axis", "STALL_MA", features.stall_ma.into(), 16, "stall current");
    add("fresh", "FAST_SHIFT", shift(features.fast_shift), 8, "speed filter, 2^-n a tick");
    add("slow", "SLOW_SHIFT", shift(features.slow_shift), 8, "slow load filter");
    add("peak", "PEAK_SHIFT", shift(features.peak_shift), 8, "decay of the peak load");
    add("tilt", "TILT_SHIFT", shift(features.tilt_shift), 8, "tilt filter");
    let counts = features.stall_counts.into();
    add("stalled", "FEATURE_STALL_COUNTS", counts, 16, "still at or below this, for features");
    let window = features.failed_window_ticks.min(MAX_FAILED_WINDOW).into();
    add("failure", "FAILED_WINDOW_TICKS", window, 16, "an upshift taken back by then has failed");
    preview_constants(settings, &mut add);
    add("", "WINDOW_DDEG", guard.window_ddeg.into(), 16, "arrived within this of the target");
    add("", "LEAVE_DDEG", guard.leave_ddeg.into(), 16, "further off a driven gear has been left");
    add("", "CUT_LEAD_TICKS", guard.cut_lead_ticks.into(), 16, "without drive before the selector moves");
    add("", "MIN_DWELL_TICKS", guard.min_dwell_ticks.into(), 16, "from arrival to the next shift");
    add("", "MOVE_TIMEOUT_TICKS", guard.move_timeout_ticks.into(), 16, "a longer move has missed");
    add("", "RETRIES", guard.retries.into(), 8, "tries before recalibrating");
    add("", "RECALIBRATE_TICKS", guard.recalibrate_ticks.into(), 16, "length of a recalibration");
    let limit = guard.tilt_limit_ddeg.into();
    add("tilt_limit", "TILT_LIMIT_DDEG", limit, 15, "no upshift from here on");
    add("", "STALL_COUNTS", guard.stall_counts.into(), 16, "still at or below this, for the guard");
    add("", "STALL_CUT_TICKS", guard.stall_cut_ticks.into(), 16, "standing under drive before a rest");
    add("", "STALL_REST_TICKS", guard.stall_rest_ticks.into(), 16, "length of the rest");
    add("", "FAULT_CLEAR_TICKS", guard.fault_clear_ticks.into(), 16, "good readings that end a fault");
    list
}

fn preview_constants(settings: &Settings, add: &mut impl FnMut(&str, &'static str, i64, u8, &'static str)) {
    let preview = &settings.features.preview;
    let mut put = |name, value: i64, bits, meaning| add("preview", name, value, bits, meaning);
    let [least, most] = preview.range;
    put("LEAST_PREVIEW", least.into(), 15, "a lower reading ahead tells nothing");
    put("MOST_PREVIEW", most.into(), 15, "a higher reading ahead tells nothing");
    put("LOW_LEVEL", preview.low_level.into(), 15, "something lies there from this reading on");
    put("HIGH_LEVEL", preview.high_level.into(), 15, "it is a high one from this reading on");
    put("AHEAD_MM", preview.ahead_mm.into(), 16, "from the reading's place to the front axle");
    put("WHEELBASE_MM", preview.wheelbase_mm.into(), 16, "from the front to the rear axle");
    put("HOLD_MM", preview.hold_mm.into(), 16, "an axle meets a strike until so far behind it");
    put("LOCKOUT_MM", preview.lockout_mm.into(), 16, "a rise so near to the last strike is the same");
    put("STUCK_MM", preview.stuck_mm.into(), 16, "a longer way above the level tells nothing");
    put("COAST", preview.coast_q4_mm.into(), 16, "a tick out of gear is shorter by this, mm times 16");
}

fn clocks(settings: &Settings, set: &BTreeSet<&'static str>) -> Vec<Clock> {
    let guard = &settings.guard;
    let longest = guard
        .cut_lead_ticks
        .max(guard.move_timeout_ticks)
        .max(guard.recalibrate_ticks)
        .max(guard.stall_rest_ticks)
        .max(guard.fault_clear_ticks);
    let clock = |name, limit: u16, meaning| {
        let wide = limit > 255;
        Clock { name, most: if wide { u16::MAX } else { 255 }, wide, meaning }
    };
    let mut list = vec![
        clock("clock", longest, "ticks in this phase"),
        clock("dwell", guard.min_dwell_ticks, "ticks driven since the gear engaged"),
        clock("standing", guard.stall_cut_ticks, "ticks that the driven motor has stood still"),
        clock("since_decision", settings.decision_ticks, "ticks since the table was asked"),
    ];
    if set.contains("gear_clock") {
        let window = settings.features.failed_window_ticks.min(MAX_FAILED_WINDOW);
        let most = if set.contains("dwell_axis") { 1000 } else { window + 1 };
        let meaning = "ticks driven since the gear engaged, from the observer's side";
        list.push(Clock { name: "gear_clock", most, wide: most > 255, meaning });
    }
    list.sort_by_key(|clock| clock.wide);
    list
}

/// Sixteen hexadecimal digits that change with any setting of the controller.
#[must_use]
pub fn settings_hash(settings: &Settings) -> String {
    let (f, g, r) = (&settings.features, &settings.guard, &settings.ranges);
    let mut digest = Sha256::new();
    let mut put = |value: i64| digest.update(value.to_le_bytes());
    put(f.speed_gain.into());
    put(f.nominal_mv.into());
    put(f.battery_fitted.into());
    put(f.stall_ma.into());
    f.gear_scale_permille.iter().for_each(|&scale| put(scale.into()));
    [f.fast_shift, f.slow_shift, f.tilt_shift, f.peak_shift].iter().for_each(|&shift| put(shift.into()));
    put(f.stall_counts.into());
    put(f.failed_window_ticks.into());
    put(f.preview.fitted.into());
    let levels = [f.preview.low_level, f.preview.high_level];
    f.preview.range.iter().chain(&levels).for_each(|&level| put(level.into()));
    for length_mm in [
        f.preview.ahead_mm,
        f.preview.wheelbase_mm,
        f.preview.hold_mm,
        f.preview.lockout_mm,
        f.preview.stuck_mm,
        f.preview.coast_q4_mm,
    ] {
        put(length_mm.into());
    }
    f.preview.count_q12_mm.iter().for_each(|&way| put(way.into()));
    put(g.gears.into());
    g.gear_ddeg.iter().for_each(|&angle| put(angle.into()));
    for value in [
        g.window_ddeg,
        g.leave_ddeg,
        g.fault_clear_ticks,
        g.cut_lead_ticks,
        g.min_dwell_ticks,
        g.move_timeout_ticks,
    ] {
        put(value.into());
    }
    put(g.retries.into());
    put(g.recalibrate_ticks.into());
    put(g.tilt_limit_ddeg.into());
    [g.stall_counts, g.stall_cut_ticks, g.stall_rest_ticks].iter().for_each(|&value| put(value.into()));
    [r.max_encoder_counts, r.max_current_ma, r.max_tilt_ddeg].iter().for_each(|&value| put(value.into()));
    [r.battery_mv, r.standing_mv].iter().flatten().for_each(|&value| put(value.into()));
    put(settings.decision_ticks.into());
    put(settings.tick_us.into());
    put(settings.pulses_per_turn.into());
    lowgear_agents::table::hex(&digest.finalize())[..16].to_owned()
}
