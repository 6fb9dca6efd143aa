//! A made-up academy: players, ball, phones, sound and footage with known truth
