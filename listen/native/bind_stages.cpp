// The kernel of a cycle through a chain of stages, with what keeps it within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

void staged_lines(Table<const double> table, Table<const double> returned, bool solved, bool own_levels, bool own_slope,
                  bool inside, bool second_stage, Table<double> out) {
    require(table.columns == 15 && returned.columns == 18 && returned.rows > 0,
            "staged_lines: table must be (n, 15), returned (1 or more, 18)");
    require(out.rows == table.rows && out.columns == 20, "staged_lines: out must be (n, 20)");
    const Room<double> room((3 + returned.columns) * returned.rows);
    const Table<double> memory = {room.all().data, 3 + returned.columns, returned.rows};
    chosen->staged_lines(table, returned, solved, own_levels, own_slope, inside, second_stage, memory, out);
}

}  // namespace

void define_stages(nb::module_& m) {
    define<true>(m, "staged_lines", staged_lines, "table", "returned", "solved", "own_levels", "own_slope", "inside",
                 "second_stage", "out");
}

}  // namespace listen
