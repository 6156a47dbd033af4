//! What a person came to do, one file each. The faces (command line, page) hand settings
//! in and get events and results back; they open no file, device or store themselves.

pub mod build_baseline;
pub mod check_fit;
pub mod compare_baselines;
pub mod draw_sounding;
pub mod ear_test;
pub mod expect_modes;
pub mod gain_watch;
pub mod in_order;
pub mod input_check;
pub mod keep_grinders;
pub mod keep_sounding;
pub mod keep_wheels;
pub mod live_sounding;
pub mod lot_peers;
pub mod make_demo;
pub mod mount_wheel;
pub mod name_soundings;
pub mod plan_lot;
pub mod plate_findings;
pub mod print_papers;
pub mod read_lot;
pub mod read_soundings;
pub mod report_lot;
pub mod reread_sounding;
pub mod resume_sounding;
pub mod specimens;
pub mod study_gauge;
pub mod take_in;
pub mod take_records_out;
pub mod teach_demo;
pub mod wheel_states;
pub mod wheels_table;
