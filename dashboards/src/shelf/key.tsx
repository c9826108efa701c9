import { Fold } from "../parts/fold";
import { Vessel } from "./vessel";

/** How to read a vessel, beside one. */
export function HowToRead() {
  return (
    <Fold class="how-to-read" summary="How to read the shelf">
      {() => (
      <div class="how-body">
        <Vessel kind="tray" capacity_l={10} remaining_l={{ value: 6, lo: 4.6, hi: 7.4 }} tomorrow_night_l={2.4} />
        <ul>
          <li>Each hive's feeder stands on its yard's shelf, drawn as the thing it is.</li>
          <li>Syrup is firm up to where it surely stands and fades to where it may; nine times in ten the truth lies in the fade.</li>
          <li>The dashed line is where it will stand tomorrow night.</li>
          <li>Under it: what the colony took yesterday, with its interval.</li>
          <li>A dotted outline is a feeder that can't be seen now, with the hour it was last heard. It is not an empty one.</li>
        </ul>
      </div>
      )}
    </Fold>
  );
}
