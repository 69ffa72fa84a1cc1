"use strict";
// The charts draw at the screen's pixel ratio. A report is also printed, and a canvas drawn for an ordinary screen prints
// blurred, so the page always draws at twice the CSS resolution or better. Runs before the chart library reads the ratio.
{
  const screenRatio = Object.getOwnPropertyDescriptor(window, "devicePixelRatio").get;
  Object.defineProperty(window, "devicePixelRatio", { configurable: true, get: () => Math.max(2, screenRatio.call(window)) });
}
