// The Python module ``listen.native.kernels``: see kernels.pyi.
#include "arrays.hpp"

namespace listen {
const char* choose_level();
}

NB_MODULE(kernels, module) {
    module.attr("LEVEL") = listen::choose_level();
    listen::define_signal(module);
    listen::define_phase(module);
    listen::define_grid(module);
    listen::define_lines(module);
    listen::define_fft(module);
    listen::define_stages(module);
}
