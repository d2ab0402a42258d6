// Fourier transforms, with what keeps each within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

template <class T>
void check(int64_t rows, int64_t size, Cube<T> spectra) {
    require(is_length(size), "spectra: rows must be as long as an even product of 2, 3 and 5");
    require(spectra.n == rows && spectra.rows == size / 2 + 1 && spectra.columns == 2,
            "spectra: they must be (n, size / 2 + 1, 2)");
}

void spectra_single(Table<const float> frames, Cube<float> out) {
    check(frames.rows, frames.columns, out);
    const Room<float> room(chosen->room_for(frames.columns, sizeof(float)));
    chosen->spectra_single(frames, room.all(), out);
}

void spectra_double(Table<const double> frames, Cube<double> out) {
    check(frames.rows, frames.columns, out);
    const Room<double> room(chosen->room_for(frames.columns, sizeof(double)));
    chosen->spectra_double(frames, room.all(), out);
}

void rows_single(Cube<const float> spectra, double scale, Table<float> out) {
    check(out.rows, out.columns, spectra);
    const Room<float> room(chosen->room_for(out.columns, sizeof(float)));
    chosen->rows_single(spectra, scale, room.all(), out);
}

}  // namespace

void define_fft(nb::module_& m) {
    define<true>(m, "spectra_single", spectra_single, "frames", "out");
    define<true>(m, "spectra_double", spectra_double, "frames", "out");
    define<true>(m, "rows_single", rows_single, "spectra", "scale", "out");
}

}  // namespace listen
