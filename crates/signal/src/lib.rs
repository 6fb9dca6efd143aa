//! Filters, differentiation, smoothness and correlation of sampled signals
