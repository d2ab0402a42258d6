// What is slow: windows of the remains, mains lines in their spectra, the frames' offset.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double STANDS_OUT = 3.0;
// Times what is beside it: noise alone, which rises and falls from bin to bin, is left as it reads.

// Put a value where it belongs among so many sorted ones, NaN last.
LISTEN_INLINE void insert(double* sorted, int64_t count, double value) {
    int64_t j = count;
    for (; value == value && j > 0 && !(sorted[j - 1] <= value); j--) sorted[j] = sorted[j - 1];
    sorted[j] = value;
}

// Take a value that is there out of so many sorted ones.
LISTEN_INLINE void remove(double* sorted, int64_t count, double value) {
    int64_t j = 0;
    while (j < count - 1 && sorted[j] < value) j++;
    if (value != value) j = count - 1;
    for (; j < count - 1; j++) sorted[j] = sorted[j + 1];
}

void sort(Row<double> values, int64_t count) {
    for (int64_t i = 1; i < count; i++) insert(values.data, i, values[i]);
}

// Median of sorted values, NaN being larger than all others.
LISTEN_INLINE double middle_of(Row<double> sorted, int64_t count) {
    return 0.5 * (sorted[(count - 1) / 2] + sorted[count / 2]);
}

// Median of how far sorted values lie from a place: the next one is the nearer of the next on its two sides.
double middle_distance(Row<double> sorted, double place) {
    int64_t right = 0;
    while (right < sorted.n && sorted[right] < place) right++;
    int64_t left = right - 1;
    double before = NAN, here = NAN;
    for (int64_t rank = 0; rank <= sorted.n / 2; rank++) {
        before = here;
        const double below = left >= 0 ? place - sorted[left] : NAN;
        const double above = right < sorted.n ? sorted[right] - place : NAN;
        if (left >= 0 && !(above < below)) {
            here = below;
            left--;
        } else {
            here = above;
            right++;
        }
    }
    return sorted.n % 2 ? here : 0.5 * (before + here);
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

void limit_strays(Doubles values, double times, Row<double> sorted, Row<double> out) {
    const int64_t width = sorted.n;
    double middle = 0.0, usual = 0.0;
    int64_t before = -1;
    for (int64_t i = 0; i < values.n; i++) {
        const int64_t first = within(i - width / 2, 0, values.n - width);
        if (before < 0) {
            for (int64_t j = 0; j < width; j++) insert(sorted.data, j, values[j]);
        } else if (first != before) {
            remove(sorted.data, width, values[before]);
            insert(sorted.data, width - 1, values[first + width - 1]);
        }
        if (first != before) {
            middle = middle_of(sorted, width);
            usual = middle_distance(sorted, middle);
        }
        before = first;
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
                sort(room, count);
                under = scale * 0.5 * (sqrt(room[(count - 1) / 2]) + sqrt(room[count / 2]));
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
