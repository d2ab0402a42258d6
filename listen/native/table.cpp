// The kernels of one kind of processor, by name.
#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

const Kernels kernels = {
#define K(result, name, arguments) name,
    LISTEN_EACH_KERNEL(K)
#undef K
};

}  // namespace listen::LISTEN_LEVEL
