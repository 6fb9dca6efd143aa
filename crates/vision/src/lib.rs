//! Everything that touches OpenCV: boards, court lines, drawing
