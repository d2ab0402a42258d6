// A frame's lines: its harmonics, and how far their phases run from the grid's.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

void line_pitches(Block<const double> spectra, Doubles scale, Ints tops, Ints cycles, double apart,
                  Cube<double> amplitude, Table<double> turned, Row<int64_t> used, Table<double> sums,
                  Row<int64_t> far) {
    const int64_t few = turned.columns, columns = amplitude.rows;
    int64_t excess[MOST_PITCH_LINES];
    for (int64_t k = 0; k < few; k++) far[k] = excess[k] = 0;
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Row<const double> folded = {spectra[0][i].data, 2 * spectra.rows};
        const Row<const double> tilted = {spectra[1][i].data, 2 * spectra.rows};
        const Row<double> line = {amplitude[i].data, 2 * columns};
        const int64_t kept = least(within(tops[i], 0, FAR) + 1, columns);
        LISTEN_INDEPENDENT
        for (int64_t k = 0; k < 2 * kept; k++) line[k] = scale[i] * folded[k];
        for (int64_t k = 2 * kept; k < 2 * columns; k++) line[k] = 0.0;
        line[0] *= 0.5;
        line[1] = 0.0;
        double total = 0.0, own = NAN;
        for (int64_t k = 1; k <= few; k++) {
            const double re = line[2 * k], im = line[2 * k + 1], power = re * re + im * im, order = (double)k;
            total += order * order * power;
            const double across = scale[i] * (tilted[2 * k + 1] * re - tilted[2 * k] * im);
            turned[i][k - 1] = across;
            const double off = across / (order * power) / (double)cycles[i];
            if (k == 1) own = off;
            excess[k - 1] = most(excess[k - 1] + (fabs(off - own) > apart ? 2 : -1), 0);
            far[k - 1] = most(far[k - 1], excess[k - 1]);
        }
        double gathered = 0.0, along = 0.0;
        int64_t k = 0;
        do {
            k++;
            const double power = line[2 * k] * line[2 * k] + line[2 * k + 1] * line[2 * k + 1];
            gathered += (double)(k * k) * power;
            along += (double)k * turned[i][k - 1];
        } while (gathered < 0.98 * total && k < few);
        used[i] = k;
        sums[i][0] = along;
        sums[i][1] = gathered;
    }
}

}  // namespace listen::LISTEN_LEVEL
