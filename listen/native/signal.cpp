// What the rough pitch is read from: lower rates, windows, powers of their spectra.
#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr int64_t TAPS = 64;

LISTEN_INLINE float filtered(const float* __restrict x, const float* __restrict taps) {
    float total = 0.0f;
    for (int64_t j = 0; j < TAPS; j++) total += taps[j] * x[j];
    return total;
}

}  // namespace

void decimate(Floats x, Floats taps, int64_t step, Row<float> out) {
    for (int64_t i = 0; i < out.n; i++) out[i] = filtered(&x[i * step], taps.data);
}

void decimate_near(Floats x, Floats taps, int64_t step, Ints centres, int64_t reach, Row<float> out) {
    int64_t done = 0;
    for (int64_t c = 0; c < centres.n; c++) {
        const int64_t centre = within(centres[c], -FAR, FAR);
        const int64_t low = most(centre - reach, done);
        done = most(least(centre + reach, out.n), low);
        for (int64_t i = low; i < done; i++) out[i] = filtered(&x[i * step], taps.data);
    }
}

void line_powers(Cube<const float> spectra, double scale, Table<float> out) {
    const float narrow = (float)scale;
    for (int64_t i = 0; i < out.rows; i++) {
        const Row<const float> parts = {spectra[i].data, 2 * out.columns};
        const Row<float> power = out[i];
        LISTEN_INDEPENDENT
        for (int64_t b = 0; b < power.n; b++) {
            const float re = parts[2 * b], im = parts[2 * b + 1];
            power[b] = narrow * (re * re + im * im);
        }
    }
}

void take_windows(Floats x, Ints centres, Doubles window, Table<float> out) {
    const int64_t size = window.n;
    for (int64_t i = 0; i < centres.n; i++) {
        const int64_t a = within(centres[i], -FAR, FAR) - size / 2;
        const int64_t low = within(-a, 0, size), high = within(x.n - a, low, size);
        const Row<float> row = out[i];
        double total = 0.0;
        for (int64_t j = low; j < high; j++) total += (double)x[a + j];
        const double mean = total / (double)size;
        for (int64_t j = 0; j < low; j++) row[j] = (float)(-mean * window[j]);
        LISTEN_INDEPENDENT
        for (int64_t j = low; j < high; j++) row[j] = (float)(((double)x[a + j] - mean) * window[j]);
        for (int64_t j = high; j < size; j++) row[j] = (float)(-mean * window[j]);
    }
}

void window_powers(Doubles x, Ints starts, int64_t width, Row<double> out) {
    for (int64_t i = 0; i < starts.n; i++) {
        const int64_t start = within(starts[i], -FAR, FAR);
        const int64_t a = within(start, 0, x.n), b = within(start + width, a, x.n);
        double total = 0.0, square = 0.0;
        for (int64_t j = a; j < b; j++) {
            total += x[j];
            square += x[j] * x[j];
        }
        const double count = (double)most(b - a, 1), mean = total / count;
        out[i] = most(square / count - mean * mean, 0.0);
    }
}

}  // namespace listen::LISTEN_LEVEL
