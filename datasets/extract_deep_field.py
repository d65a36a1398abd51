"""Cut ``datasets/photographs/deep-field.png`` out of the photograph of that name that scikit-image
carries.

python datasets/extract_deep_field.py FILE   (FILE is skimage/data/hubble_deep_field.jpg)
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2

TOP, LEFT, SIZE = 130, 90, 260  # a part with round and with elongated spots


def main() -> int:
    image = cv2.imread(sys.argv[1], cv2.IMREAD_UNCHANGED) if len(sys.argv) == 2 else None
    if image is None or image.shape != (872, 1000, 3):
        print(
            "expected the photograph hubble_deep_field.jpg, 1000 × 872 px in colour",
            file=sys.stderr,
        )
        return 2
    green = image[TOP : TOP + SIZE, LEFT : LEFT + SIZE, 1]
    cv2.imwrite(
        str(Path(__file__).parent / "photographs/deep-field.png"),
        green,
        [cv2.IMWRITE_PNG_COMPRESSION, 9],
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
