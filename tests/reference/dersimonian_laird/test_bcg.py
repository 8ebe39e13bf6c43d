"""Random-effects pooling against the trials of a tuberculosis vaccine that textbooks use.

Source: Colditz et al., JAMA 271 (1994) 698, 13 trials, as in the data set "dat.bcg" of the R
package metadat; counts from memory, and confirmed by the published Q. Results for the log risk
ratios: Q 152.2330, mean -0.7141 [-1.0644, -0.3638], tau^2 0.308760, to the digits printed.
"""

import numpy as np
import pytest

from pitchbench.intonation.fit import pool

TREATED = np.array([(4, 119), (6, 300), (3, 228), (62, 13536), (33, 5036), (180, 1361),
                    (8, 2537), (505, 87886), (29, 7470), (17, 1699), (186, 50448), (5, 2493),
                    (27, 16886)], dtype=float)  # fmt: skip
CONTROL = np.array([(11, 128), (29, 274), (11, 209), (248, 12619), (47, 5761), (372, 1079),
                    (10, 619), (499, 87892), (45, 7232), (65, 1600), (141, 27197), (3, 2338),
                    (29, 17825)], dtype=float)  # fmt: skip


def test_pooled_log_risk_ratio():
    log_ratio = np.log(TREATED[:, 0] / TREATED.sum(1)) - np.log(CONTROL[:, 0] / CONTROL.sum(1))
    variance = (1 / TREATED[:, 0] - 1 / TREATED.sum(1) + 1 / CONTROL[:, 0]
                - 1 / CONTROL.sum(1))  # fmt: skip
    pooled = pool(log_ratio, np.sqrt(variance))
    assert pooled.q == pytest.approx(152.2330, abs=0.5e-4)
    assert pooled.between_variance == pytest.approx(0.308760, abs=0.5e-6)
    assert pooled.mean == pytest.approx(-0.7141, abs=0.5e-4)
    ends = [pooled.mean - 1.959964 * pooled.u, pooled.mean + 1.959964 * pooled.u]
    assert ends == pytest.approx([-1.0644, -0.3638], abs=0.5e-4)
