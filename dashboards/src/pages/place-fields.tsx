import type { YardDeclaration } from "../data/types";
import { TextField } from "../parts/fields";
import { say } from "../parts/note";

interface Written {
  latitude: string;
  longitude: string;
}

type Place = Pick<YardDeclaration, "latitude" | "longitude">;

/** Both numbers, or neither. */
export function placeOfFields({ latitude, longitude }: Written): Place {
  const placed = latitude.trim() !== "" && longitude.trim() !== "";
  return { latitude: placed ? Number(latitude) : null, longitude: placed ? Number(longitude) : null };
}

export function placeToFields({ latitude, longitude }: Place): Written {
  return { latitude: String(latitude ?? ""), longitude: String(longitude ?? "") };
}

/** Where a yard lies, for its sunrise and sunset. */
export function PlaceFields({ value, onChange }: { value: Written; onChange: (value: Written) => void }) {
  const locate = () =>
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => onChange({ latitude: coords.latitude.toFixed(3), longitude: coords.longitude.toFixed(3) }),
      () => say("This device does not say where it is; type the place in, or leave it out."),
    );
  return (
    <>
      <TextField label="Latitude, degrees north" value={value.latitude} onInput={(latitude) => onChange({ ...value, latitude })} />
      <TextField label="Longitude, degrees east" value={value.longitude} onInput={(longitude) => onChange({ ...value, longitude })} />
      {isSecureContext && (
        <button type="button" class="button" onClick={locate}>
          I am there now
        </button>
      )}
    </>
  );
}
