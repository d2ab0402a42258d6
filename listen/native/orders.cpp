// Which harmonics of frames are loud, and what the high ones hold.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

LISTEN_INLINE double power_of(Table<const double> lines, int64_t k) {
    return lines[k][0] * lines[k][0] + lines[k][1] * lines[k][1];
}

}  // namespace

void loud_orders(Cube<const double> amplitude, Ints limits, Doubles least_power, Row<int64_t> out) {
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Table<const double> lines = amplitude[i];
        int64_t k = within(limits[i], 0, lines.rows) - 1;
        while (k > 1 && !(power_of(lines, k) >= least_power[i])) k--;
        out[i] = most(k, 1);
    }
}

void high_orders(Cube<const double> amplitude, Ints limits, int64_t first, Table<double> out) {
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Table<const double> lines = amplitude[i];
        double total = 0.0, place = 0.0;
        for (int64_t k = first; k < within(limits[i], 0, lines.rows); k++) {
            const double power = power_of(lines, k);
            total += power;
            place += power * (double)k;
        }
        out[i][0] = limits[i] > first ? 0.5 * total : NAN;
        out[i][1] = total > 0.0 ? place / total : NAN;
    }
}

}  // namespace listen::LISTEN_LEVEL
