//! Where networks learn: on the CPU, or on a GPU through the tensor library.

use burn::tensor::Device;
use lowgear_env::config::{KeyError, require};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::{NeuralError, training_device};

/// Where networks learn, and where they decide for many worlds at once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LearningDevice {
    /// The CPU.
    #[default]
    Cpu,
    /// The first GPU that CUDA finds; the program must be built with `--features cuda`.
    Cuda,
}

/// What to do about a device that the program was built without.
const ALLOWED: &str = "cpu; cuda in a program built with `cargo build --release --features cuda`";

impl LearningDevice {
    /// Refuses a device that the program was built without.
    pub(crate) fn check(self) -> Result<(), KeyError> {
        require(self == LearningDevice::Cpu || cfg!(feature = "cuda"), "device", "cuda", ALLOWED)
    }

    /// The device, with gradients recorded.
    pub(crate) fn open(self) -> Result<Device, NeuralError> {
        self.check()?;
        match self {
            LearningDevice::Cpu => Ok(training_device()),
            LearningDevice::Cuda => cuda(),
        }
    }
}

#[cfg(feature = "cuda")]
fn cuda() -> Result<Device, NeuralError> {
    use burn::tensor::{DeviceType, Tensor};

    let found = guarded(|| Ok(Device::enumerate(DeviceType::Cuda).into_vec()))?;
    let missing =
        || NeuralError::Device("CUDA finds no GPU; `nvidia-smi` shows what its driver finds".to_owned());
    let device = found.into_iter().next().ok_or_else(missing)?;
    // A kernel at once, so that a driver that refuses them is known before anything is learned.
    guarded(|| super::trainer::numbers(Tensor::<1>::ones([8], &device).mul_scalar(2.0)))?;
    Ok(device.autodiff())
}

#[cfg(not(feature = "cuda"))]
const fn cuda() -> Result<Device, NeuralError> {
    Err(NeuralError::Tensor("built without CUDA"))
}

/// What a device does, its panics as errors: a driver that fails panics in the tensor library.
pub(crate) fn guarded<T>(run: impl FnOnce() -> Result<T, NeuralError>) -> Result<T, NeuralError> {
    let panicked = |payload: Box<dyn std::any::Any + Send>| {
        let text = payload.downcast_ref::<String>().cloned();
        let text = text.or_else(|| payload.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        Err(NeuralError::Device(text.unwrap_or_else(|| "for an unknown reason".to_owned())))
    };
    catch_unwind(AssertUnwindSafe(run)).unwrap_or_else(panicked)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_of_a_device_is_an_error() {
        let failed = guarded::<()>(|| panic!("out of memory"));
        assert_eq!(failed.unwrap_err().to_string(), "the device that learns: out of memory");
        assert_eq!(guarded(|| Ok(3)), Ok(3));
    }

    #[cfg(not(feature = "cuda"))]
    #[test]
    fn a_device_that_the_program_was_built_without_is_refused() {
        let refused = LearningDevice::Cuda.open().unwrap_err().to_string();
        assert!(refused.contains("`device` is cuda") && refused.contains("--features cuda"), "{refused}");
    }
}
