// What is slow: windows of the remains, mains lines in their spectra, the frames' offset.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double STANDS_OUT = 3.0;
// Times what is beside it: noise alone, which rises and falls from bin to bin, is left as it reads.

// Value at the place ``rank`` of the sorted values[0 .. count], NaN last.
double ranked(Row<double> values, int64_t count, int64_t rank) {
    const double wanted = (double)rank;
    for (int64_t i = 0; i < count; i++) {
        const double value = values[i];
        double below = 0.0, upto = 0.0;
        for (int64_t j = 0; j < count; j++) {
            below += values[j] < value ? 1.0 : 0.0;
            upto += values[j] <= value ? 1.0 : 0.0;
        }
        if (below <= wanted && wanted < upto) return value;
    }
    return NAN;
}

// Median of values[0 .. count], NaN being larger than all others.
double median(Row<double> values, int64_t count) {
    const double low = ranked(values, count, (count - 1) / 2);
    const double high = count % 2 ? low : ranked(values, count, count / 2);
    return 0.5 * (low + high);
}

double power_at(Table<const double> spectrum, int64_t b) {
    return spectrum[b][0] * spectrum[b][0] + spectrum[b][1] * spectrum[b][1];
}

// Whether one of the two bins before ``first`` or after ``last`` holds more than ``largest`` power.
bool is_skirt(Table<const double> spectrum, double largest, int64_t first, int64_t last) {
    const int64_t beyond[] = {first - 2, first - 1, last + 1, last + 2};
    bool found = false;
    for (const int64_t b : beyond) {
        found |= b >= 0 && b < spectrum.rows && power_at(spectrum, b) > largest;
    }
    return found;
}

}  // namespace

void level_windows(Doubles rest, int64_t step, Doubles window, Table<double> out, Row<double> lost) {
    const int64_t width = window.n;
    const double count = (double)width, middle = 0.5 * (count - 1.0);
    double squares = 0.0;
    for (int64_t j = 0; j < width; j++) squares += ((double)j - middle) * ((double)j - middle);
    for (int64_t i = 0; i < out.rows; i++) {
        const int64_t first = i * step;
        const Row<double> row = out[i];
        double total = 0.0, along = 0.0, known = 0.0;
        for (int64_t j = 0; j < width; j++) {
            const double value = rest[first + j];
            const bool there = value == value;
            const double kept = there ? value : 0.0;
            known += there ? 1.0 : 0.0;
            total += kept;
            along += kept * ((double)j - middle);
            row[j] = kept;
        }
        const double mean = total / count, slope = squares > 0.0 ? along / squares : 0.0;
        for (int64_t j = 0; j < width; j++) row[j] = (row[j] - mean - slope * ((double)j - middle)) * window[j];
        for (int64_t j = width; j < out.columns; j++) row[j] = 0.0;
        lost[i] = 1.0 - known / count;
    }
}

void limit_strays(Doubles values, double times, Row<double> room, Row<double> out) {
    const int64_t width = room.n;
    double middle = 0.0, usual = 0.0;
    int64_t before = -1;
    for (int64_t i = 0; i < values.n; i++) {
        const int64_t first = within(i - width / 2, 0, values.n - width);
        if (first != before) {
            before = first;
            for (int64_t j = 0; j < width; j++) room[j] = values[first + j];
            middle = median(room, width);
            for (int64_t j = 0; j < width; j++) room[j] = fabs(room[j] - middle);
            usual = median(room, width);
        }
        const double limit = times * usual, off = values[i] - middle;
        out[i] = off < -limit ? middle - limit : (off > limit ? middle + limit : values[i]);
    }
}

void line_levels(Cube<const double> spectra, double scale, Ints near_bins, Ints near_ends, Ints beside,
                 Ints beside_ends, Row<double> room, Cube<double> out) {
    for (int64_t i = 0; i < spectra.n; i++) {
        for (int64_t k = 0; k < out.rows; k++) {
            double largest = -1.0;
            for (int64_t j = near_ends[k]; j < near_ends[k + 1]; j++) {
                largest = most(largest, power_at(spectra[i], near_bins[j]));
            }
            const int64_t count = beside_ends[k + 1] - beside_ends[k];
            for (int64_t j = 0; j < count; j++) room[j] = power_at(spectra[i], beside[beside_ends[k] + j]);
            double line = largest >= 0.0 ? scale * sqrt(largest) : NAN, under = NAN;
            if (count > 0) {
                const double low = sqrt(ranked(room, count, (count - 1) / 2));
                under = scale * 0.5 * (low + (count % 2 ? low : sqrt(ranked(room, count, count / 2))));
                const bool stands = line > STANDS_OUT * under;
                if (stands && is_skirt(spectra[i], largest, near_bins[near_ends[k]], near_bins[near_ends[k + 1] - 1])) {
                    line = under;
                }
            }
            out[i][k][0] = line;
            out[i][k][1] = under;
        }
    }
}

}  // namespace listen::LISTEN_LEVEL
