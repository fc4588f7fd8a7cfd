//! What is fitted: names, limits, and where each stands in the vehicle file.

use lowgear_env::config::ParameterDistribution;
use lowgear_env::vehicle::{Constants, MotorLineConfig, VariationConfig, VehicleConfig};

/// A parameter that many runs share.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Parameter {
    /// Back-EMF constant, V·s; the torque constant keeps its ratio to it.
    EmfConstant,
    /// Winding resistance, Ω.
    Resistance,
    /// No-load current, A: motor friction.
    NoLoadCurrent,
    /// Rotor inertia, kg·m².
    RotorInertia,
    /// Battery resistance, Ω.
    BatteryResistance,
    /// Efficiency of a gear (0 is the lowest).
    Efficiency(usize),
    /// Its efficiency when the wheels drive.
    BackEfficiency(usize),
    /// Constant drag of bearings and seals, N.
    Drag,
    /// Rolling resistance of a surface, by its number.
    Rolling(usize),
    /// Drag of a surface that grows with speed, s/m.
    Grass(usize),
    /// Reading of the current sensor without current, A.
    CurrentOffset,
    /// Inertia of all wheels, kg·m²; assumed at the start.
    WheelInertia,
    /// Heat capacity of the winding, J/K; assumed at the start.
    WindingHeat,
    /// Heat capacity of the housing, J/K; assumed at the start.
    HousingHeat,
    /// Thermal resistance from winding to housing, K/W; assumed at the start.
    WindingPath,
    /// Thermal resistance from housing to air, K/W; assumed at the start.
    HousingPath,
    /// What the magnets lose per kelvin, 1/K; assumed at the start.
    Magnet,
}

/// Surfaces met in the runs.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Surfaces {
    /// Names.
    pub names: Vec<String>,
    /// Rolling resistance of each.
    pub rolling: Vec<f64>,
    /// Drag that grows with speed, s/m.
    pub drag_s_m: Vec<f64>,
    /// Friction of the ground; not fitted.
    pub friction: f64,
}

impl Surfaces {
    /// Surfaces of these names with first values.
    #[must_use]
    pub fn new(names: Vec<String>) -> Surfaces {
        let n = names.len();
        Surfaces { names, rolling: vec![0.06; n], drag_s_m: vec![0.02; n], friction: 0.8 }
    }
}

/// Everything that the runs share.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Shared {
    pub(super) config: VehicleConfig,
    pub(super) surfaces: Surfaces,
    pub(super) current_offset_a: f64,
    /// Constants with which the heat before each run was computed.
    pub(super) tracked: Constants,
    /// Whether heat constants may move, so that it is recomputed.
    pub(super) heat_moves: bool,
}

impl Parameter {
    /// What is not measured before the first run.
    pub(super) const ASSUMED: [Parameter; 6] = [
        Parameter::WheelInertia,
        Parameter::WindingHeat,
        Parameter::HousingHeat,
        Parameter::WindingPath,
        Parameter::HousingPath,
        Parameter::Magnet,
    ];

    /// Whether it is one of those.
    pub(super) fn is_assumed(&self) -> bool {
        Parameter::ASSUMED.contains(self)
    }

    /// All that a vehicle with `gears` gears on `surfaces` surfaces has.
    #[must_use]
    pub fn all(gears: usize, surfaces: usize) -> Vec<Parameter> {
        let mut all = vec![
            Parameter::EmfConstant,
            Parameter::Resistance,
            Parameter::NoLoadCurrent,
            Parameter::RotorInertia,
            Parameter::BatteryResistance,
            Parameter::Drag,
            Parameter::CurrentOffset,
        ];
        all.extend((0..gears).map(Parameter::Efficiency));
        all.extend((0..gears).map(Parameter::BackEfficiency));
        all.extend((0..surfaces).map(Parameter::Rolling));
        all.extend((0..surfaces).map(Parameter::Grass));
        all
    }

    /// Limits, in its unit: those of the vehicle file, narrower where nature is.
    #[must_use]
    pub const fn limits(&self) -> (f64, f64) {
        match self {
            Parameter::EmfConstant => (1e-4, 10.0),
            Parameter::Resistance => (0.005, 100.0),
            Parameter::NoLoadCurrent => (1e-4, 50.0),
            Parameter::RotorInertia => (1e-9, 1e-2),
            Parameter::BatteryResistance => (1e-4, 10.0),
            // A gear without any loss has no side that the power comes from, and the simulator no way to distinguish them.
            Parameter::Efficiency(_) | Parameter::BackEfficiency(_) => (0.05, 0.99),
            Parameter::Drag => (1e-4, 100.0),
            Parameter::Rolling(_) => (1e-4, 1.0),
            Parameter::Grass(_) => (0.0, 5.0),
            Parameter::CurrentOffset => (-5.0, 5.0),
            Parameter::WheelInertia => (1e-12, 10.0),
            Parameter::WindingHeat => (0.1, 1e4),
            Parameter::HousingHeat => (0.1, 1e5),
            Parameter::WindingPath => (0.01, 100.0),
            Parameter::HousingPath => (0.01, 1000.0),
            Parameter::Magnet => (1e-6, 0.005),
        }
    }

    /// What counts as a whole unit of not knowing it: itself for what is positive by nature, else a usual size.
    pub(super) fn scale(&self, value: f64) -> f64 {
        match self {
            Parameter::Grass(_) => 0.1,
            Parameter::CurrentOffset => 0.05,
            _ => value,
        }
    }

    /// Whether its limits are far apart in powers of ten, so that its logarithm is the better variable.
    pub(super) const fn is_positive(&self) -> bool {
        !matches!(self, Parameter::Grass(_) | Parameter::CurrentOffset)
    }

    /// Name as in the vehicle file, surfaces by theirs.
    #[must_use]
    pub fn name(&self, surfaces: &Surfaces) -> String {
        let surface = |i: usize| surfaces.names.get(i).map_or("?", String::as_str);
        match self {
            Parameter::EmfConstant => "emf-constant-v-s".into(),
            Parameter::Resistance => "resistance-ohm (winding)".into(),
            Parameter::NoLoadCurrent => "no-load-current-a".into(),
            Parameter::RotorInertia => "rotor-inertia-kg-m2".into(),
            Parameter::BatteryResistance => "resistance-ohm (battery)".into(),
            Parameter::Efficiency(g) => format!("efficiency, gear {}", g + 1),
            Parameter::BackEfficiency(g) => format!("back-efficiency, gear {}", g + 1),
            Parameter::Drag => "drag-n".into(),
            Parameter::Rolling(s) => format!("rolling on {}", surface(*s)),
            Parameter::Grass(s) => format!("drag-s-m on {}", surface(*s)),
            Parameter::CurrentOffset => "offset of the current sensor, A".into(),
            Parameter::WheelInertia => "wheel-inertia-kg-m2".into(),
            Parameter::WindingHeat => "winding-j-k".into(),
            Parameter::HousingHeat => "housing-j-k".into(),
            Parameter::WindingPath => "winding-to-housing-k-w".into(),
            Parameter::HousingPath => "housing-to-air-k-w".into(),
            Parameter::Magnet => "magnet-per-k".into(),
        }
    }
}

impl Shared {
    /// The start: constants instead of a data sheet, every factor of the variation at 1, air of this temperature.
    pub(super) fn new(start: &VehicleConfig, surfaces: Surfaces, air_c: f64) -> Shared {
        let mut config = start.clone();
        config.motor.line = MotorLineConfig::Constants(start.motor.line.constants());
        config.variation =
            VariationConfig { air_c: ParameterDistribution::Fixed(air_c), ..VariationConfig::default() };
        Shared {
            config,
            surfaces,
            current_offset_a: 0.0,
            tracked: start.motor.line.constants(),
            heat_moves: false,
        }
    }

    /// A vehicle and its surfaces, for their values to be set.
    pub(super) fn from_parts(config: VehicleConfig, surfaces: Surfaces) -> Shared {
        let tracked = config.motor.line.constants();
        Shared { config, surfaces, current_offset_a: 0.0, tracked, heat_moves: false }
    }

    fn constants(&self) -> Constants {
        self.config.motor.line.constants()
    }

    /// Multiplies the torque constant, the back-EMF constant kept.
    pub(super) fn scale_torque(&mut self, by: f64) {
        let mut motor = self.constants();
        motor.torque_constant_nm_a *= by;
        self.config.motor.line = MotorLineConfig::Constants(motor);
    }

    pub(super) fn get(&self, parameter: &Parameter) -> f64 {
        match parameter {
            Parameter::EmfConstant => self.constants().emf_constant_v_s,
            Parameter::Resistance => self.constants().resistance_ohm,
            Parameter::NoLoadCurrent => self.constants().no_load_current_a,
            Parameter::RotorInertia => self.config.motor.rotor_inertia_kg_m2,
            Parameter::BatteryResistance => self.config.battery.resistance_ohm,
            Parameter::Efficiency(g) => self.config.gearbox.efficiency[*g],
            Parameter::BackEfficiency(g) => self.config.gearbox.back_efficiency[*g],
            Parameter::Drag => self.config.chassis.drag_n,
            Parameter::Rolling(s) => self.surfaces.rolling[*s],
            Parameter::Grass(s) => self.surfaces.drag_s_m[*s],
            Parameter::CurrentOffset => self.current_offset_a,
            Parameter::WheelInertia => self.config.chassis.wheel_inertia_kg_m2,
            Parameter::WindingHeat => self.config.motor.heat.winding_j_k,
            Parameter::HousingHeat => self.config.motor.heat.housing_j_k,
            Parameter::WindingPath => self.config.motor.heat.winding_to_housing_k_w,
            Parameter::HousingPath => self.config.motor.heat.housing_to_air_k_w,
            Parameter::Magnet => self.config.motor.heat.magnet_per_k,
        }
    }

    pub(super) fn set(&mut self, parameter: &Parameter, value: f64) {
        let mut motor = self.constants();
        match parameter {
            Parameter::EmfConstant => {
                motor.torque_constant_nm_a *= value / motor.emf_constant_v_s;
                motor.emf_constant_v_s = value;
            }
            Parameter::Resistance => motor.resistance_ohm = value,
            Parameter::NoLoadCurrent => motor.no_load_current_a = value,
            Parameter::RotorInertia => self.config.motor.rotor_inertia_kg_m2 = value,
            Parameter::BatteryResistance => self.config.battery.resistance_ohm = value,
            Parameter::Efficiency(g) => self.config.gearbox.efficiency[*g] = value,
            Parameter::BackEfficiency(g) => self.config.gearbox.back_efficiency[*g] = value,
            Parameter::Drag => self.config.chassis.drag_n = value,
            Parameter::Rolling(s) => self.surfaces.rolling[*s] = value,
            Parameter::Grass(s) => self.surfaces.drag_s_m[*s] = value,
            Parameter::CurrentOffset => self.current_offset_a = value,
            Parameter::WheelInertia => self.config.chassis.wheel_inertia_kg_m2 = value,
            Parameter::WindingHeat => self.config.motor.heat.winding_j_k = value,
            Parameter::HousingHeat => self.config.motor.heat.housing_j_k = value,
            Parameter::WindingPath => self.config.motor.heat.winding_to_housing_k_w = value,
            Parameter::HousingPath => self.config.motor.heat.housing_to_air_k_w = value,
            Parameter::Magnet => self.config.motor.heat.magnet_per_k = value,
        }
        self.config.motor.line = MotorLineConfig::Constants(motor);
    }
}
