//! What may be said of a wheel beside its size and bond.

/// What need not be known of a wheel. With `edit`, an empty word takes the fact away.
#[derive(clap::Args)]
pub struct WheelFacts {
    /// Maximum operating speed as marked: 3350rpm, 35m/s or 6900sfpm
    #[arg(long, value_name = "SPEED")]
    pub max_speed: Option<String>,
    /// Its specification: wheels of one specification can share a baseline
    #[arg(long, value_name = "NAME")]
    pub specification: Option<String>,
    /// The lot it came with
    #[arg(long, value_name = "NAME")]
    pub lot: Option<String>,
    /// Its serial number
    #[arg(long, value_name = "TEXT")]
    pub serial: Option<String>,
    /// Its shape by number: 1 straight, 27 depressed centre and so on
    #[arg(long, value_name = "NUMBER")]
    pub shape: Option<String>,
    /// Its marking: "51 A 36 L 5 V 23"
    #[arg(long, value_name = "TEXT")]
    pub marking: Option<String>,
    /// Marked speed of the rim beside that in rpm: 35m/s or 6900sfpm
    #[arg(long, value_name = "SPEED")]
    pub rim_speed: Option<String>,
    /// What it is for, as the label says
    #[arg(long, value_name = "TEXT")]
    pub purpose: Option<String>,
    /// Month of manufacture: 2025-03
    #[arg(long, value_name = "MONTH")]
    pub made: Option<String>,
    /// Last month of use: 2028-03
    #[arg(long, value_name = "MONTH")]
    pub expires: Option<String>,
    /// Day on which it was received: 2025-04-01
    #[arg(long, value_name = "DAY")]
    pub received: Option<String>,
    /// Its mass: 1.4kg, 1400g, 3.1lb
    #[arg(long, value_name = "MASS")]
    pub mass: Option<String>,
}

impl WheelFacts {
    /// The label.
    pub fn label(&self) -> fourtap::record::wheel::label::LabelWritten {
        fourtap::record::wheel::label::LabelWritten {
            serial: self.serial.clone(),
            shape: self.shape.clone(),
            marking: self.marking.clone(),
            rim_speed: self.rim_speed.clone(),
            purpose: self.purpose.clone(),
            made: self.made.clone(),
            expires: self.expires.clone(),
            received: self.received.clone(),
            mass: self.mass.clone(),
        }
    }
}
