//! Scenario files: what is true, what the kernel is told, what must be met.
//!
//! Two TOML files describe a run. The **vehicle file** holds bodies, tanks, jets and the main engine,
//! so that jets are written once; the **scenario file** names a vehicle file and says which bodies are
//! there, what the kernel believes, what it is asked to do, what pushes, how sensors and actuators err
//! and what must be met. Every key with a unit carries it in its name. Unknown keys are refused.
//!
//! Every problem found in the two files is reported, each with file, line, column, key, value, what is
//! wrong and what would be right ([`Problem`]).
//!
//! # Conventions
//!
//! Structural axes of the vehicle file are right-handed; the axes of the kernel's body frame are
//! parallel to them. Vectors are `[x, y, z]`. Attitudes are quaternions `[x, y, z, w]`, scalar last,
//! that rotate inertial components into body components. Directions and quaternions are normalised
//! when their length is within 1 % of one and refused otherwise. A jet's direction is that of the
//! force on the vehicle, not of the plume.
//!
//! # Scenario file
//!
//! | key | meaning | default |
//! | --- | --- | --- |
//! | `name`, `description` | short identifier (letters, digits, `_`), a sentence for people | — |
//! | `vehicle` | vehicle file, relative to this file; `library:NAME.toml` for one that comes with the program | — |
//! | `stack` | names of the bodies that are there | — |
//! | `duration_s` | simulated time | — |
//! | `seed` | seed of every random stream | 1 |
//! | `jets_forbidden`, `jets_dead` | names of jets not to be fired, of jets that deliver nothing | none |
//! | `told_stack` | bodies whose mass properties the kernel is told | `stack` |
//! | `told_mass_factor`, `told_thrust_factor` | told over true | 1 |
//! | `told_centre_of_mass_error_m` | told less true | zero |
//! | `[kernel]` `tick_s`, `cycle_ticks` | valve tick, control cycle | — |
//! | `minimum_off_ticks` | shortest off-time between two pulses of one jet | until the slowest valve is shut |
//! | `command_delay_ticks` | from the start of a cycle to its pulses | 0 |
//! | `measurement_age_limit_s` | oldest measurement still used | 1 s, or twice the sensors' delay if longer |
//! | `assumed_attitude_noise_deg`, `assumed_rate_noise_deg_s` | what the observer assumes | the sensors' noise and quantum, at least 0.0005 deg and 0.00005 deg/s |
//! | `assumed_bias_walk_deg_s_per_root_s` | wander of the gyro bias | 1e-7 |
//! | `assumed_disturbance_walk_deg_s2_per_root_s` | wander of the standing push | 1e-6 |
//! | `assumed_firing_error` | one-sigma error of a firing, fraction | scatter of the actuators, at least 0.01 |
//! | `[[told_bending]]` `frequency_hz`, `swing_deg` | at most two bending modes that the kernel is told: frequency of the free stack, as `stackhold authority` says it; amplitude to reckon with at the sensors (0: it only watches the rhythm of the firings) | none |
//! | `damping_ratio` | damping over critical | 0.005 |
//! | `[flight_table]` `configuration` | the stack as the board knows it, at most 32 letters | `name` |
//! | `sequence` | number of the table among those of the vehicle, from 1 | 1 |
//! | `[initial]` `attitude_xyzw`, `rate_deg_s` | state at time zero | `[0, 0, 0, 1]`, zero |
//! | `[[phase]]` `start_s`, `mode` | modes in order; the first starts at 0 | — |
//! | mode `"free_drift"` | jets quiet | |
//! | mode `"hold"`: `half_width_deg`, `rate_limit_deg_s` | one number for every axis, or three | — |
//! | `attitude_xyzw` | attitude to hold | the initial one |
//! | mode `"watch"`: `wake_angle_deg`, `wake_rate_deg_s`, and those of a hold | jets quiet until a limit is crossed, then a hold | — |
//! | mode `"damp"`: `rate_limit_deg_s` | rates beyond the limit are taken out, whatever the attitude | — |
//! | mode `"hand"`: `full_rate_deg_s`, and `half_width_deg`, `rate_limit_deg_s` for axes left alone | turned by a hand controller | — |
//! | `deflections` | rows of a moment, s after the start of the phase, and shares of full travel about x, y and z from then on | — |
//! | `deflections_file` | the same as comma-separated values with the header `time_s,x,y,z`, beside the scenario | — |
//! | `dead_zone` | share of full travel that asks for nothing | 0.05 |
//! | `asks_for` | `"rate"`, or `"bit"`: one smallest firing for each new deflection | `"rate"` |
//! | mode `"impulse"`: `rate_change_deg_s` | one open-loop firing | — |
//! | `velocity_change_m_s` | velocity change wanted with it, body axes | translation left free |
//! | `[[disturbance]]` `name`, `kind` | `"vent"` or `"torque"` | — |
//! | `start_s`, `stop_s` | when it acts | the whole run |
//! | `body` | body it pushes on: the push goes with it, counts on its side of an interface, and bends the joint that carries it | the near side, what no joint carries |
//! | `position_m`, `force_n` | of a vent: structural axes, force on the vehicle | — |
//! | `torque_n_m` | of a torque; of a vent, what it adds to that of its force | —; zero |
//! | `[[joint]]` `name`, `bodies` | at most two sprung joints ([`crate::truth::joints`]), and the bodies each carries: none with jets or tanks | none: rigid |
//! | `hinge_m`, `axis` | a point and the direction of the axis, structural | — |
//! | `frequency_hz`, `damping_ratio` | with the rest held still and all its bodies there | — |
//! | `initial_deg` | angle at time zero | 0 |
//! | `[[slosh]]` `tank`, `mass_kg` | at most two tanks with liquid that swings ([`crate::truth::slosh`]), not beside a joint or an orbit, and how much of it: never drawn from the tank | none: propellant rests |
//! | `length_m`, `hangs_along` | of the pendulum, and where it hangs at time zero: direction from its pivot, structural | — |
//! | `pivot_m` | point about which it swings, structural | position of the tank |
//! | `damping_per_s` | rate at which a swing dies in free fall, the tank held still | 0 |
//! | `[orbit]` `altitude_km` or `rate_deg_s` | circular orbit for the gravity gradient: above the Earth's equatorial radius, or its rate | no gravity gradient |
//! | `up_at_start`, `normal` | away from the attracting body's centre at time zero, and the orbit normal; inertial axes | — |
//! | `[[release]]` `at_s`, `interface` | at most one part that is let go ([`crate::truth::released`]), not beside a joint or swinging liquid: when, and the interface of the vehicle whose far side goes; the kernel gets the table of what stays in the same cycle | nothing goes |
//! | `keep_out_m` | distance between the hulls that is to be reached and kept | — |
//! | `spring_scatter` | one-sigma error of each spring's energy, fraction | 0 |
//! | `[[release.spring]]` `energy_j` | a spring between both parts, and what it gives to both together | no spring: nothing pushes |
//! | `position_m` | where it pushes, structural | position of the interface |
//! | `direction` | of its force on what stays; what goes feels the opposite | from the centre of mass of what goes, full tanks, to the spring: that part gets no rate from it |
//! | `[sensors]` `attitude_noise_deg`, `attitude_quantum_deg`, `rate_noise_deg_s`, `rate_quantum_deg_s`, `rate_bias_deg_s`, `delay_s` | errors of the sensors | zero: perfect |
//! | `rate_delay_s` | age of a rate measurement where it is another; the kernel does without one that lags the other by much more than a cycle, and says so | `delay_s` |
//! | `accelerometer_m` | where an accelerometer sits that counts the velocity its structure gives it, structural axes; not beside a joint | none |
//! | `velocity_noise_m_s`, `velocity_quantum_m_s`, `acceleration_bias_m_s2` | its noise, its quantum, its bias `[x, y, z]` | zero |
//! | `velocity_delay_s` | age of its measurements | `delay_s` |
//! | `[actuators]` `thrust_scatter`, `pulse_scatter` | one-sigma errors, fractions | zero |
//! | `engine_thrust_error`, `engine_misalignment_deg` | fixed errors of the main engine: fraction of thrust and flow; turn of its force beside that of the gimbal, `[first, second]` | zero |
//! | `[gimbal]` `stuck_from_s` | from then on the gimbal of the main engine heeds no command | it works |
//! | `stuck_deg` | angles `[first, second]` to which it then runs and where it stays; from time zero on it stands there | where it is |
//! | `told` | whether the kernel is told | true |
//! | `[[requirement]]` `figure`, `at_most`, `at_least` | a figure of [`FIGURES`] and at least one bound | — |
//! | `[[variant]]` `name`, `description` | another flight beside the scenario's own | — |
//! | `stack`, `told_stack` | where it differs; the kernel is told the variant's stack unless said otherwise | as above |
//! | `configuration` | the stack as the board knows it | `name` of a variant with another stack |
//! | `release` | what becomes of the scenario's release: `"told"`, `"untold"` (the kernel goes on with the table of the whole stack), `"held"` (nothing goes) | `"told"` |
//! | `[[variant.requirement]]` | what this flight must meet, in place of all that the scenario requires | as above |
//!
//! # Vehicle file
//!
//! | key | meaning | default |
//! | --- | --- | --- |
//! | `name` | short identifier | — |
//! | `design_centre_of_mass_m` | the centre of mass the jets were laid out for | — |
//! | `[[body]]` `name`, `mass_kg`, `centre_of_mass_m` | dry mass, its centre in structural axes | — |
//! | `inertia_kg_m2` | `{ xx, yy, zz, xy, xz, yz }` about its own centre of mass, own axes; `xy`, `xz`, `yz` are **minus** the integrals of `x y dm` and so on, as they stand in the matrix | this or `uniform` |
//! | `uniform` | `"box"` or `"cylinder"`: mass spread evenly over the hull | this or `inertia_kg_m2` |
//! | `box_m` | full side lengths of the hull | this or a cylinder |
//! | `cylinder_radius_m`, `cylinder_length_m` | hull along own x | this or a box |
//! | `hull_offset_m` | centre of the hull less centre of mass, own axes | zero |
//! | `turned_about`, `turned_deg` | own axes are the structural ones turned about `"x"`, `"y"` or `"z"` | not turned |
//! | `orientation_xyzw` | the same as a quaternion that takes own components into structural components | not turned |
//! | `[[tank]]` `name`, `body`, `position_m`, `propellant_kg` | a point of propellant that drains in place | — |
//! | `unusable_kg` | part of it that cannot be used | 0 |
//! | `[[jet_kind]]` `name` and any key of a jet's valve and thrust | values shared by jets of the kind | |
//! | `[[jet]]` `name`, `body`, `tank`, `position_m`, `force_direction` | a jet | — |
//! | `kind` | takes what the jet does not say itself from that `[[jet_kind]]` | none |
//! | `thrust_n`, `specific_impulse_s`, `minimum_on_s` | steady values, shortest on-time | — |
//! | `opening_delay_s`, `rise_s`, `closing_delay_s`, `tail_off_s` | valve timing | — |
//! | `short_pulse_loss`, `short_pulse_time_s` | specific impulse lost at first thrust (fraction), time constant of the loss | — |
//! | `group` | isolation group, 0 to 15 | 0 |
//! | `[engine]` `pivot_m`, `force_direction`, `thrust_n`, `specific_impulse_s`, `gimbal_travel_deg` | main engine; travel either way about each axis, 0 for a fixed one | no engine |
//! | `tank`, `body` | the tank that feeds it, the body it sits on | the only tank (without one it cannot be started); the tank's body |
//! | `first_axis` | axis of the outer gimbal, fixed in the body, at 90 deg to `force_direction`; the inner one's is `force_direction` × `first_axis`. The force is `R(first_axis, first) R(second_axis, second) force_direction`, right-hand rule | for a force nearest to x, y or z: y, z or x, made perpendicular |
//! | `gimbal_rate_deg_s`, `gimbal_lag_s` | fastest turn about an axis, time constant with which it follows | no limit, 0 |
//! | `start_delay_s`, `rise_s`, `shutdown_delay_s`, `tail_off_s` | command to first thrust, to full thrust, command to first loss, to none | 0 |

pub mod model;

mod bending_file;
mod checks;
mod engine_file;
mod figures;
mod hand_file;
mod joint_file;
mod library;
mod load;
mod orbit_file;
mod phase_file;
mod problem;
mod release_file;
mod scenario_file;
mod section;
mod slosh_file;
mod suggest;
mod text;
mod trade_file;
mod vehicle_file;

pub use figures::{FIGURES, Figure};
pub use library::{DEMO, library, library_vehicles};
pub use load::{load, load_embedded, load_named_or_path, parse};
pub use problem::{Problem, ScenarioError};
