#include <cstdio>
#include <moltspan/growth/lines.hpp>

int main() {
  const Eigen::VectorXd instars{{1, 2, 3, 4, 5, 6}}, head_widths_mm{{0.41, 0.62, 0.95, 1.43, 2.16, 3.30}};  // invented records
  const moltspan::DyarFit fit = moltspan::dyar_fit(instars, head_widths_mm);
  const moltspan::LineInterval ratio = moltspan::growth_ratio(fit, 0.95);
  const moltspan::LineTest test = moltspan::test_ratio(fit, moltspan::przibram_ratio);
  std::printf("ratio %.17g %.17g %.17g\n", ratio.estimate, ratio.lower, ratio.upper);
  std::printf("przibram %.17g %.17g\n", test.statistic, test.p_value);
}
