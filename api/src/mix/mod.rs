//! Mixing syrup: text as people type it in, the whole answer out. [`answer`] is the calculation
//! itself, without HTTP; the command `larder mix` uses it too.

mod ready;
mod request;
mod response;
mod view;

pub use request::{MixRefusal, MixRequest};
pub use response::{
    BagsBody, BecomesBody, CautionBody, CostBody, LeftoverBody, MixResponse, Row, Section,
    VesselBody, WarmthBody, WeightBody,
};

use crate::problem::Body;
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use larder_syrup::mix;
use larder_syrup::units::UnitSystem;
use utoipa_axum::{router::OpenApiRouter, routes};

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(mix_syrup))
}

/// What goes into which vessel, how it behaves and what it becomes.
///
/// Give any two of sugar, water, volume and strength, or leftovers and what to bring them to.
/// Amounts are text with their unit: `25 lb`, `5 x 25 lb`, `15 gal`, `2:1`, `66.7 %`.
#[utoipa::path(post, path = "/api/v1/mix", tag = "mix", request_body = MixRequest,
    responses((status = 200, body = MixResponse)))]
async fn mix_syrup(
    State(service): State<ServiceState>,
    Body(request): Body<MixRequest>,
) -> Result<Json<MixResponse>, Problem> {
    let setting = match request.units {
        Some(_) => None,
        None => {
            service
                .blocking(|s| Ok(s.records.setting("units")?))
                .await?
        }
    };
    let usual = setting
        .and_then(|word| UnitSystem::parse(&word).ok())
        .unwrap_or_default();
    answer(&request, usual)
        .map(Json)
        .map_err(|refusal| Problem::bad_request(refusal.to_string()))
}

/// The answer, or the one sentence that says what to change. `usual` are the units where the
/// request names none.
pub fn answer(request: &MixRequest, usual: UnitSystem) -> Result<MixResponse, MixRefusal> {
    let units = request.units(usual)?;
    if let Some(feed) = request.ready_feed()? {
        return ready::answer(request, feed, units);
    }
    let ask = request.ask(units)?;
    let answer =
        mix::answer(&ask).map_err(|problem| MixRefusal::of_all(problem.sentence(units)))?;
    Ok(MixResponse::new(&ask, &answer, units))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(json: serde_json::Value) -> MixRequest {
        serde_json::from_value(json).unwrap()
    }

    fn refused(json: serde_json::Value) -> String {
        answer(&request(json), UnitSystem::Us)
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn any_two_give_the_rest() {
        let made = answer(
            &request(serde_json::json!({ "sugar": "5 x 25 lb", "water": "15 gal" })),
            UnitSystem::Us,
        )
        .unwrap();
        assert_eq!(made.units, "us");
        assert_eq!(made.strength.as_deref(), Some("1:1"));
        assert!((made.volume_l - 92.2).abs() < 0.1, "{}", made.volume_l);
        assert_eq!(made.add_bags[0].count, 5);
        let titles: Vec<&str> = made.sections.iter().map(|s| s.title.as_str()).collect();
        assert_eq!(titles[0], "Goes in");
    }

    #[test]
    fn ready_feeds_have_their_own_numbers() {
        let made = answer(
            &request(serde_json::json!({ "feed": "hfcs-55", "volume": "275 gal" })),
            UnitSystem::Us,
        )
        .unwrap();
        assert_eq!(
            made.sentence,
            "275 gal of HFCS-55 weighs 3174 lb and becomes about 2679 lb of stores."
        );
        assert!(made.brix.is_none() && made.viscosity_20c_mpa_s.is_none());
    }

    #[test]
    fn what_is_wrong_is_said_in_one_sentence_with_its_field() {
        for (json, expected) in [
            (
                serde_json::json!({ "sugar": "25", "water": "15 gal" }),
                "sugar: \"25\" has no unit; write 25 kg or 25 lb",
            ),
            (
                serde_json::json!({ "strength": "0:1", "volume": "5 gal" }),
                "strength: \"0:1\" has a part that is not above zero; a syrup needs both sugar and water",
            ),
            (
                serde_json::json!({ "sugar": "25 lb" }),
                "give two of sugar, water, volume and strength; the rest follows from them",
            ),
            (
                serde_json::json!({ "strength": "4:1", "volume": "5 gal" }),
                "that would be 80.0 % sugar, and at 104 °F water dissolves at most 70.1 %; \
                 use more water, or say how hot it ends if it is hotter",
            ),
            (
                serde_json::json!({ "sugar": "50 lb bag", "strength": "1:1", "vessels": ["pail"] }),
                "a 50 lb bag makes 9.74 gal of this syrup, more than the 5 gal that fit the vessel; \
                 use a larger vessel or smaller bags",
            ),
            (
                serde_json::json!({ "feed": "hfcs-55", "volume": "5 gal", "water": "1 gal" }),
                "a feed bought as syrup goes with a volume only; mixtures of it have no published numbers",
            ),
            (
                serde_json::json!({ "units": "imperial" }),
                "units: units are \"metric\" or \"us\", not \"imperial\"",
            ),
        ] {
            assert_eq!(refused(json), expected);
        }
    }
}
