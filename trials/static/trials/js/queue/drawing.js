// This module has no DOM access. Draws one after the other, never two at once: a slow one that started before a quick
// one would otherwise end after it, and the page would show what was so a moment ago.

/** A function that has `draw` called soon; asked again while it draws, it draws once more at the end. */
export function inOrder(draw, schedule) {
  let isDrawing = false;
  let isAskedAgain = false;
  return function ask() {
    if (isDrawing) {
      isAskedAgain = true;
      return;
    }
    isDrawing = true;
    schedule(async () => {
      isAskedAgain = false;
      try {
        await draw();
      } finally {
        isDrawing = false;
        if (isAskedAgain) {
          ask();
        }
      }
    });
  };
}
