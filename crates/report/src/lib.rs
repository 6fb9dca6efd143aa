//! Self-contained HTML report with plots and key pictures
