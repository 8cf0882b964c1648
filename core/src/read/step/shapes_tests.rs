use super::*;
use crate::geometry::Vector;
use crate::read::step::part21::{FileLimits, parse};
use crate::run::quiet;

/// Instances with a placement at (1, 2, 3) as #1, in inches and degrees.
fn with<T>(data: &str, ask: impl Fn(Shapes) -> T) -> T {
    let text = format!(
        "ISO-10303-21;HEADER;ENDSEC;DATA;\
         #1=AXIS2_PLACEMENT_3D('',#2,#3,#4);#2=CARTESIAN_POINT('',(1.,2.,3.));\
         #3=DIRECTION('',(0.,0.,2.));#4=DIRECTION('',(0.,5.,1.));{data}ENDSEC;END-ISO-10303-21;"
    );
    let exchange = parse(text.as_bytes(), &FileLimits::default(), &quiet()).unwrap();
    let units = Units { length_mm: 25.4, angle_rad: std::f64::consts::PI / 180.0 };
    ask(Shapes { graph: Graph { exchange: &exchange }, units })
}

#[test]
fn lengths_and_angles_are_taken_in_the_units_of_the_context() {
    with("#9=CONICAL_SURFACE('',#1,2.,30.);", |shapes| {
        let (Surface::Cone { axes, radius, half_angle }, false) = shapes.surface(9).unwrap() else {
            panic!()
        };
        assert!((axes.origin - Point::new(25.4, 50.8, 76.2)).norm() < 1e-12);
        assert_eq!((axes.x, axes.y, axes.z), (Vector::y(), -Vector::x(), Vector::z()));
        assert!((radius - 50.8).abs() < 1e-12 && (half_angle - 0.5235987755982988).abs() < 1e-15);
    });
}

const POINTS: &str = "#11=CARTESIAN_POINT('',(0.,0.,0.));#12=CARTESIAN_POINT('',(1.,0.,0.));\
    #13=CARTESIAN_POINT('',(1.,1.,0.));#14=CARTESIAN_POINT('',(2.,1.,0.));#15=CARTESIAN_POINT('',(2.,2.,0.));";

#[test]
fn curves_that_list_no_knots_have_those_of_their_kind() {
    let data = format!(
        "{POINTS}#20=QUASI_UNIFORM_CURVE('',2,(#11,#12,#13,#14,#15),.UNSPECIFIED.,.F.,.F.);\
         #21=B_SPLINE_CURVE_WITH_KNOTS('',2,(#11,#12,#13,#14,#15),.UNSPECIFIED.,.F.,.F.,(3,1,1,3),(0.,1.,2.,3.),\
         .QUASI_UNIFORM_KNOTS.);\
         #22=BEZIER_CURVE('',2,(#11,#12,#13,#14,#15),.UNSPECIFIED.,.F.,.F.);\
         #23=B_SPLINE_CURVE_WITH_KNOTS('',2,(#11,#12,#13,#14,#15),.UNSPECIFIED.,.F.,.F.,(3,2,3),(0.,1.,2.),\
         .PIECEWISE_BEZIER_KNOTS.);\
         #24=UNIFORM_CURVE('',2,(#11,#12,#13,#14,#15),.UNSPECIFIED.,.F.,.F.);\
         #25=(BOUNDED_CURVE()B_SPLINE_CURVE(2,(#11,#12,#13),.UNSPECIFIED.,.F.,.F.)CURVE()\
         GEOMETRIC_REPRESENTATION_ITEM()QUASI_UNIFORM_CURVE()RATIONAL_B_SPLINE_CURVE((1.,0.5,1.))\
         REPRESENTATION_ITEM(''));"
    );
    with(&data, |shapes| {
        assert_eq!(shapes.curve(20), shapes.curve(21));
        assert_eq!(shapes.curve(22), shapes.curve(23));
        let uniform = shapes.curve(24).unwrap();
        assert_eq!(uniform.domain(), Some((0.0, 3.0)));
        // The middle of a uniform quadratic piece is 1/8, 6/8, 1/8 of its points.
        let middle = uniform.at(0.5).0;
        assert!((middle - Point::new(25.4 * 0.875, 25.4 * 0.125, 0.0)).norm() < 1e-12);
        // Points 0, 1, 1 with weights 1, 1/2, 1 at the middle: (0/4 + 1/4 + 1/4) / (3/4) along x.
        let rational = shapes.curve(25).unwrap().at(0.5).0;
        assert!((rational - Point::new(25.4 * 2.0 / 3.0, 25.4 / 3.0, 0.0)).norm() < 1e-12);
    });
}

#[test]
fn what_is_senseless_or_unknown_is_told_with_its_id() {
    let data = format!(
        "{POINTS}#30=CYLINDRICAL_SURFACE('',#1,0.);#31=CONICAL_SURFACE('',#1,1.,90.);#32=OFFSET_SURFACE('',#30,1.,.F.);\
         #33=SURFACE_CURVE('',#33,(),.CURVE_3D.);#34=CIRCLE('',#99,1.);#35=PLANE('',#11);\
         #36=B_SPLINE_CURVE_WITH_KNOTS('',2,(#11,#12,#13),.UNSPECIFIED.,.F.,.F.,(3,999999999),(0.,1.),.UNSPECIFIED.);\
         #37=BEZIER_CURVE('',9,(),.UNSPECIFIED.,.F.,.F.);#38=QUASI_UNIFORM_CURVE('',3,(#11),.UNSPECIFIED.,.F.,.F.);\
         #39=BEZIER_CURVE('',2,(),.UNSPECIFIED.,.F.,.F.);"
    );
    with(&data, |shapes| {
        assert!(matches!(shapes.surface(30), Err(EntityFault::Parameter { id: 30, parameter: 3, .. })));
        assert!(matches!(shapes.surface(31), Err(EntityFault::Senseless { id: 31, .. })));
        assert!(matches!(shapes.surface(32), Err(EntityFault::NotServed { id: 32, .. })));
        assert!(matches!(shapes.curve(33), Err(EntityFault::Senseless { id: 33, .. })));
        assert_eq!(shapes.curve(34), Err(EntityFault::NotThere { id: 99 }));
        assert!(matches!(shapes.surface(35), Err(EntityFault::OtherKind { id: 11, .. })));
        for id in 36..=39 {
            assert!(shapes.curve(id).is_err());
        }
    });
}
