/** The theme's inks as a canvas takes them. */
export interface Inks {
  ink: string;
  quiet: string;
  line: string;
  night: string;
  syrup: string;
  cool: string;
  act: string;
  paper: string;
  /** Width of a data line in CSS pixels. */
  stroke: number;
  font: string;
  /** Nothing may fade: bright sun. */
  hatched: boolean;
}

export function readInks(element: Element): Inks {
  const style = getComputedStyle(element);
  const variable = (name: string) => style.getPropertyValue(name).trim();
  return {
    ink: variable("--ink"),
    quiet: variable("--quiet"),
    line: variable("--line"),
    night: variable("--night"),
    syrup: variable("--syrup"),
    cool: variable("--cool"),
    act: variable("--act"),
    paper: variable("--paper"),
    stroke: Number(variable("--chart-stroke")) || 1.75,
    font: style.fontFamily,
    hatched: variable("--hatched") === "1",
  };
}
